"""After the run: what was built, against what was asked, from the machine's own record.

Pure computation over arrays of one value a tick or one a station. SI units; height error =
actual - asked, > 0 too high. Reading of logs, files and pages stand at the rim (reading, write).
"""
