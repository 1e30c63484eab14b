"""Holdstill: a live bench-side capture coach for stereo camera rigs."""
__version__ = "0.1.0"
