"""What was stored, sent on to the records and systems that want it; ``worker.py`` is the page to read first.

``targets`` keeps where results go. A ``Worker`` sends what the outbox holds, as a FHIR transaction (``bundles``) or as a
signed event (``events``).
"""
