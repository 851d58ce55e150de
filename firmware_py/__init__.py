"""The controller and the rest of the job. See DEVELOPERS.md for the way the data flows."""

__version__ = "0.1.0"
