"""Standard FHIR R4 resources made from the stored sittings. Nothing clinical is decided here.

Functions that read the store take a ``Snapshot`` (from ``store.read``) and a ``Publisher`` (the tenant, the public URL and the
read scope of the caller). They return JSON bytes: ``history/read.py`` one resource, ``history/versions.py`` its versions,
``search/searchset.py`` a search, ``read/bundle.py`` a whole sitting, ``bulk/pages.py`` an export.
"""
