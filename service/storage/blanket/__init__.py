"""What was believed of each tank, and from where it has to be estimated again."""
