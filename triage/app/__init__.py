"""The app: pages that hold widgets and calls only; what they show is worded and marked up by plain functions beside them."""
