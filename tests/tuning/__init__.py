"""Tests of the tuning room."""
