"""Pictures of results; nothing imports this room."""
