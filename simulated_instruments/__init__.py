"""A bench that is not there: a multimeter, a sound card, an amplifier with its supply, faults, an operator."""
