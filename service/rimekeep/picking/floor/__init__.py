"""Counts, pick bays and where to put what comes in: their endpoints."""
