"""The next step: what to do now, before the first reading and after the last one."""
