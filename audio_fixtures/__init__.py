"""Small recordings for tests, each named in MANIFEST.csv with its maker and licence."""
