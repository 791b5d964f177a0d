"""Bluetooth Blood Pressure Service values, and the body of a gateway that forwards them."""
