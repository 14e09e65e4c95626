"""Did every lift do what it was told: trials, what they show, and how to plan them."""
