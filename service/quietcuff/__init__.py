"""Quietcuff: raw blood-pressure readings in, one honest result out, handed on as FHIR observations."""

__version__ = "0.1.0"
