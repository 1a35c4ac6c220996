"""Simulations of the front end in ngspice, from the circuit's own netlist; `run.py` makes every figure."""
