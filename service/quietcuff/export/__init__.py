"""Standard FHIR R4 resources out of what is stored. Nothing clinical is decided here.

For the flow (which Observations moved, and what their status is now):
  ``moves.first_stands(sitting, at) -> Stands``
  ``moves.next_stands(stands, before, mean_shown, after, version=, at=) -> Stands``
  with ``sittings.Sitting`` (one version of a set), ``sittings.Stand`` (version, status, updated_at)
"""
