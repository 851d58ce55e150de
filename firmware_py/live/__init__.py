"""A live run: the loop in this process, journal and view as processes of their own."""
