"""Tests of the acoustics room: levels, noise, the simulated table."""
