"""Sound in and out: files, devices, the loudspeaker and the microphone.

Importing this package never touches a device and never needs PortAudio: only
opening a device does, and says so when the library is missing. Called by the
speech and listening rooms and by the session; knows nothing of lines or words.
"""
