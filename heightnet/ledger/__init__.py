"""What the house speaks of, each noun declared once."""
