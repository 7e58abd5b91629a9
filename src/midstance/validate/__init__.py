"""Accuracy held against outside truth: recordings with force, films with known truth, closed forms."""
