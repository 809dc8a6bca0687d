"""Practice on hidden faults: cases, the free bench that a trainee types at, score and feedback, the record.

Nothing here opens the simulated bench: ``benchtest train`` does, and hands over what a case needs.
"""
