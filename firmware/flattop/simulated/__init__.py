"""The meter's board and a van to measure on, simulated below the unmodified drivers; never a fallback."""
