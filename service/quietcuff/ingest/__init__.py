"""The flow: a sitting comes in, is evaluated, is kept with its claim and its trail in one transaction, and is answered.

``receive``, ``append``, ``reopen``, ``correct`` and ``close_idle_sets`` change what is stored; ``read_set``,
``read_versions``, ``read_version`` and ``list_sets`` answer it; ``save_subject``, ``find_subject``, ``read_subject``,
``save_device`` and ``read_device`` keep the two registries. All are coroutines that take the desk and the caller first.
"""
