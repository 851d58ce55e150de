"""Before the job: levels on paper become layers, a string on pins, a gate, and a job file."""
