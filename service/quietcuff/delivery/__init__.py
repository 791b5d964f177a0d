"""Delivery of stored results to the records and systems that want them; read ``worker.py`` first.

``targets`` keeps the addresses that results go to. A ``DeliveryWorker`` sends the entries of the outbox, each as a FHIR
transaction (``transaction``) or as a signed event (``message``).
"""
