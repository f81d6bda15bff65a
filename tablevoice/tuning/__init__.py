"""Makes command models from text: speaks, spoils, trains, calibrates, writes one file."""
