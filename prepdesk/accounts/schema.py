"""Says in the API's own documentation how a program signs in."""

from drf_spectacular.extensions import OpenApiAuthenticationExtension


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]  # library without types
    """``Authorization: Token <key>``."""

    target_class = "prepdesk.accounts.tokens.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        """Return the header as OpenAPI names it."""
        return {
            "type": "apiKey",
            "in": "header",
            "name": "Authorization",
            "description": "Token <key>; keys are made on the account page.",
        }
