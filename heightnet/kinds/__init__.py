"""What belongs to one kind of observation, and to nothing else: a file a kind."""
