"""Fieldbell: advice on cassava land preparation and weed control, by text message."""
