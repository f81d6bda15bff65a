"""Tests of what must not leave the computer, be read by others, or be open to them."""
