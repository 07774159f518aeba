"""The pictures of a report: each is drawn once, then put on the page or into figures/ by one of two pens."""
