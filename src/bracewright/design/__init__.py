"""The design layer: frozen, validated records and the design file."""
