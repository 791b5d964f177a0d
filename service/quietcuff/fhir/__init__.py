"""Standard FHIR R4 resources out of what is stored. Nothing clinical is decided here.

All of these take a ``storage.search.Snapshot`` (what ``store.read`` hands over) and a ``records.Publisher`` (the tenant and
the public URL), and answer JSON bytes:
  ``bundle.sitting_bundle(snapshot, publisher, set_id) -> bytes``                       GET /v1/reading-sets/{id}/fhir
  ``read.read_resource(snapshot, publisher, resource_type, logical_id) -> Read``        GET /fhir/R4/{type}/{id}
      ``Read.body``, ``.etag``, ``.last_modified``, ``.is_known_to(if_none_match, if_modified_since)`` for 304
  ``past.read_version``, ``past.history``                                               GET /fhir/R4/{type}/{id}/_history[/{n}]
  ``search.searchset(snapshot, publisher, search) -> bytes``                            GET /fhir/R4/{type}
  ``lastn.last_n(snapshot, publisher, items, clock=, is_strict=) -> bytes``             GET /fhir/R4/Observation/$lastn
``asking.parse_search(asking, items, publisher=, clock=, is_strict=, snapshot=) -> Search`` reads the parameters of a search of
the type that ``searched.SEARCHED[type].asking`` describes. ``Publisher.sight`` says what the caller may see.
These need no database:
  ``capability.capability_statement(public_url, token_url, as_of) -> bytes``            GET /fhir/R4/metadata
  ``problems.operation_outcome(status, text, faults) -> bytes``                         every error under /fhir
For the flow: which Observations moved, and what their status is now:
  ``moves.first_stands(sitting, at) -> Stands``
  ``moves.next_stands(stands, before, mean_shown, after, version=, at=) -> Stands``
  with ``sittings.StoredSitting`` (one version of a set) and ``sittings.Stand`` (version, status, updated_at)
"""
