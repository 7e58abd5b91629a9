"""The slow work, each job in a process of its own: what a film does to its decoder it does to nobody else."""
