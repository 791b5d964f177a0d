"""Standard FHIR R4 resources out of what is stored. Nothing clinical is decided here.

What reads the store takes a ``Snapshot`` (which ``store.read`` hands over) and a ``Publisher`` (the tenant, the public URL and
what the caller may see), and answers JSON bytes: ``history/read.py`` one resource, ``history/versions.py`` its versions,
``search/searchset.py`` a search, ``read/bundle.py`` a whole sitting, ``bulk/pages.py`` an export.
"""
