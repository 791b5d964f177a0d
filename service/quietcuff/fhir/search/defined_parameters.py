"""The search parameters that FHIR R4 defines for the types that are searched here, whether they are offered or not.

One that is defined would find something elsewhere: leaving it out would widen an answer without a word.
Sources: the SearchParameter resources of the package hl7.fhir.r4.core 4.0.1, by their base and code; R4 search (3.1.1) and http
(3.1.0) for those that every type has and that are no such resource.
"""

from __future__ import annotations


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Those of Resource and DomainResource, and the special ones of R4 search.
OF_EVERY_TYPE = _names(
    """
    _contained _containedType _content _filter _has _id _lastUpdated _list _profile _query _security _source _tag
    _text _type
    """
)
OF_TYPE = {
    "AuditEvent": _names(
        """
        action address agent agent-name agent-role altid date entity entity-name entity-role entity-type outcome
        patient policy site source subtype type
        """
    ),
    "Device": _names(
        """
        device-name din identifier location manufacturer model organization patient status type udi-carrier udi-di url
        """
    ),
    "Observation": _names(
        """
        amino-acid-change based-on category code code-value-concept code-value-date code-value-quantity
        code-value-string combo-code combo-code-value-concept combo-code-value-quantity combo-data-absent-reason
        combo-value-concept combo-value-quantity component-code component-code-value-concept
        component-code-value-quantity component-data-absent-reason component-value-concept component-value-quantity
        data-absent-reason date derived-from device dna-variant encounter focus gene-amino-acid-change gene-dnavariant
        gene-identifier has-member identifier method part-of patient performer specimen status subject value-concept
        value-date value-quantity value-string
        """
    ),
    "Patient": _names(
        """
        active address address-city address-country address-postalcode address-state address-use age birthOrderBoolean
        birthdate death-date deceased email family gender general-practitioner given identifier language link
        mothersMaidenName name organization part-agree phone phonetic telecom
        """
    ),
    "Provenance": _names(
        """
        agent agent-role agent-type entity location patient recorded signature-type target when
        """
    ),
}


def is_defined(resource_type: str, name: str) -> bool:
    """True where R4 defines a search parameter of that name, without modifier or chain, for a type."""
    return name in OF_EVERY_TYPE or name in OF_TYPE[resource_type]
