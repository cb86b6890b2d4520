"""The app on the home network: where it is found, who is let in, and over which certificate."""
