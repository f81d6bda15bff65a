"""Tests of the audio room: files, devices, loudspeaker, microphone."""
