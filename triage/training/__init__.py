"""Fit, calibrate and report the photo model on synthetic hatchlings."""
