"""The HTTP interface: routes, problems, the OpenAPI document and the pages that show it."""
