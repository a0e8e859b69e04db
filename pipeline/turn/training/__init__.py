"""Training of the turn network on rendered bodies; run with ``python -m``."""
