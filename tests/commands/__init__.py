"""Tests of the commands: what a person at the terminal meets."""
