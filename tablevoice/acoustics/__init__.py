"""What sound does between a mouth and a microphone: levels, noise, a simulated room.

Pure arithmetic on samples: no device, no clock, no file. Called by the demo and
rehearsal, by the listening room's measurements and by the tests.
"""
