"""The types of the rule files: protocols, guidelines, references and how much pressures vary."""
