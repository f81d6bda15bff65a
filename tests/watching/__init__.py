"""Tests of logs, health, figures and signs of life."""
