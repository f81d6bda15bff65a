"""Tests of the listening room."""
