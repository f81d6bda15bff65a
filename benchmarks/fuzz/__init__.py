"""Garbage on every input: good ones are spoilt at random, and nothing may crash or leak.

A crash is whatever is no error of the program's own classes. ``python -m benchmarks.fuzz``
tries a million inputs; the tests try some thousands.
"""
