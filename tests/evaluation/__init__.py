"""Tests of the instrument."""
