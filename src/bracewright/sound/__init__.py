"""Sound: what drives the cabinet, how it answers, what it radiates and what that sounds like."""
