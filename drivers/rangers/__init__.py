"""Range elements that can be bought: decoders of their bytes, and drivers on port and bus."""
