"""What people measure and see: a hand core, whether it can be right, and which blunder would explain one that is not."""
