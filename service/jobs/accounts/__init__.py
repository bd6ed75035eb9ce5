"""Who may do what, and what happens when somebody signs in."""
