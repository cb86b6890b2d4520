"""How to prove a held-back animal: eggs, seasons, mates, worth."""
