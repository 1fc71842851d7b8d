"""Search: numbers to cabinets and back, goals, optimiser."""
