"""One tape reading to a vertical height; one sight to a height difference and its variance."""
