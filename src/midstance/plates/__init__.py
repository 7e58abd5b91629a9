"""Files of force platforms: C3D, tables (CSV, TSV) and NumPy archives → ``force.ForceAbout`` and blocks of samples."""
