"""The link: ticks out and requests in, over a local socket that the loop never waits for."""
