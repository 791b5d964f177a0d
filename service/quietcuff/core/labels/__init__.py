"""Labels: what each guideline calls a result, why a label is provisional, and how it is to be confirmed."""
