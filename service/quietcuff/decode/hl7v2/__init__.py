"""HL7 v2 messages (ORU^R01), their acknowledgements and their frames."""
