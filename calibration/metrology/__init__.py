"""Metrology: arrays in, frozen results out. No framework, no clock, no I/O.

Every function works over many sensors and on one sensor as the case N = 1, so that the answer a
technician gets and the answer of the nightly scan come from the same lines. Inside: newtons,
kilopascals, degrees Celsius, days; readings in the unit of the sensor model.
"""
