"""Speed goals and other measurements, each comparing in one run; see __main__.py."""
