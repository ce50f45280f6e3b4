"""HTTP headers that a feed sends, with and without secrets."""

from __future__ import annotations

import re

from pydantic import BaseModel, Field, SecretStr, field_validator

SCHEME = 6
"""Letters of the longest usual word in front of a secret, such as Bearer; longer words are the secret."""


class HeaderSettings(BaseModel):
    """The headers to send."""

    headers: dict[str, str] = Field(default_factory=dict, description="Headers to send; no secrets here.")
    secret_headers: dict[str, SecretStr] = Field(
        default_factory=dict,
        description="Headers with secrets, such as Authorization; never in the file. An underscore in a name stands "
        "for a hyphen, as the names of environment variables have none.",
    )

    @field_validator("headers")
    @classmethod
    def _no_secrets(cls, headers: dict[str, str]) -> dict[str, str]:
        for name in headers:
            if re.search(r"authorization|cookie|token|secret|password|api-?key", name, re.IGNORECASE):
                raise ValueError(f"the header {name} is a secret: give it in secret_headers.{name}, never in the file")
        return headers

    def to_send(self) -> dict[str, str]:
        """Give all headers as they are sent; ValueError, without the value, where one cannot be."""
        secrets = {name.replace("_", "-"): value.get_secret_value() for name, value in self.secret_headers.items()}
        headers = {**self.headers, **secrets}
        for name, value in headers.items():
            if not re.fullmatch(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+", name):
                raise ValueError(f"{name!r} is no name of an HTTP header; use letters, digits and hyphens")
            if not re.fullmatch(r"[!-~]([ -~]*[!-~])?", value):
                raise ValueError(f"the header {name} is empty, or has more in it than plain ASCII text; correct it")
        return headers

    def is_told(self, text: str) -> bool:
        """Say whether a text has a secret in it."""
        words = (word for value in self.secret_headers.values() for word in value.get_secret_value().split())
        return any(word in text for word in words if len(word) > SCHEME)
