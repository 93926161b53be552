"""hoofsense: field instrument software for hoof-care practitioners who pour two-part pads."""
