"""Headers and parts of a query that a feed sends, with and without secrets."""

from __future__ import annotations

import re
from urllib.parse import quote, unquote_plus

from pydantic import ConfigDict, Field, SecretStr, field_validator

from adapters.feeds.secrets import refuse_secrets
from scanner.wording.config_table import ConfigTable


class SentSettings(ConfigTable):
    """What is sent with a request to a server."""

    model_config = ConfigDict(hide_input_in_errors=True)

    headers: dict[str, str] = Field(default_factory=dict, description="headers to send; no secrets here")
    secret_headers: dict[str, SecretStr] = Field(
        default_factory=dict,
        description="headers with secrets, such as Authorization; never in the file; an underscore in a name means a "
        "hyphen, which the names of environment variables cannot have",
    )
    secret_query: dict[str, SecretStr] = Field(
        default_factory=dict,
        description="parts of the query with secrets; never in the file; a name from a file of the secrets folder is "
        "sent unchanged, one from an environment variable in lower case, unless secret_query_names says "
        "otherwise",
    )
    secret_query_names: dict[str, str] = Field(
        default_factory=dict,
        description="the server's own names of parts of secret_query, by ours, such as "
        '{ api_key = "apiKey" }, since the names of environment variables have no lower case and no hyphens',
    )

    @field_validator("headers")
    @classmethod
    def _can_be_sent(cls, headers: dict[str, str]) -> dict[str, str]:
        refuse_secrets("header", headers.items(), "secret_headers")
        return _sendable(headers)

    def to_send(self) -> dict[str, str]:
        """Give all headers as they are sent; ValueError, without the value, if a secret one cannot be sent."""
        secrets = {name.replace("_", "-"): value.get_secret_value() for name, value in self.secret_headers.items()}
        return {**self.headers, **_sendable(secrets)}

    def secret_parts(self) -> dict[str, str]:
        """Give the secret parts of the query by the server's names; ValueError, without the value, for a wrong one."""
        parts = {
            self.secret_query_names.get(name, name): value.get_secret_value()
            for name, value in self.secret_query.items()
        }
        for name, theirs in self.secret_query_names.items():
            if theirs not in parts:
                raise ValueError(
                    f"secret_query_names has {name}, but that secret is missing; give secret_query.{name} "
                    "in the environment or in the secrets folder"
                )
        for name, value in parts.items():
            if not value or not value.isprintable() or value != value.strip():
                raise ValueError(f"secret_query.{name} is empty, or has blanks or line breaks around it; correct it")
        return parts

    def without_secrets(self, query: str) -> str:
        """Take the secret parts out of a query; the rest stays exactly as it is."""
        names = self.secret_parts()
        return "&".join(each for each in query.split("&") if unquote_plus(each.partition("=")[0]) not in names)

    def with_secrets(self, query: str) -> str:
        """Add the secret parts to a query, each once."""
        secrets = [f"{quote(name, safe='')}={quote(value, safe='')}" for name, value in self.secret_parts().items()]
        return "&".join(filter(None, (self.without_secrets(query), *secrets)))

    @property
    def sends_secrets(self) -> bool:
        """Whether a secret is sent, which the other side may repeat."""
        return bool(self.secret_headers or self.secret_query)


def _sendable(headers: dict[str, str]) -> dict[str, str]:
    """Give headers unchanged; ValueError, without the value, for one that cannot be sent."""
    for name, value in headers.items():
        if not re.fullmatch(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+", name):
            raise ValueError(f"{name!r} is not a name of an HTTP header; use letters, digits and hyphens")
        if not re.fullmatch(r"[!-~]([ -~]*[!-~])?", value):
            raise ValueError(f"the header {name} is empty, or is not plain ASCII text; correct it")
    return headers
