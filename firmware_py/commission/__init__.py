"""Commissioning as pure computation: what is measured before a run, and how sure it is."""
