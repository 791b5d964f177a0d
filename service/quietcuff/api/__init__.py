"""The HTTP face: routes, problems, the OpenAPI document and the pages that show it."""
