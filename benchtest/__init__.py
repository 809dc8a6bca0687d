"""Scripted test procedures for audio power amplifiers on the repair bench."""
