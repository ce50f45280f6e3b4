"""A table of a configuration: what all tables have in common, whoever reads them."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, ValidatorFunctionWrapHandler, field_validator


class ConfigTable(BaseModel):
    """A table of the configuration: it has no settings but its own, and no number is written as true or false."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @field_validator("*", mode="wrap")
    @classmethod
    def _no_number_is_true_or_false(cls, value: Any, read: ValidatorFunctionWrapHandler) -> Any:  # noqa: ANN401 - any
        found = read(value)
        pairs = ((value[key], found[key]) for key in value) if type(value) is type(found) is dict else [(value, found)]
        for said, meant in pairs:
            if isinstance(said, bool) and not isinstance(meant, bool):  # pydantic reads true as 1
                raise ValueError(f"must be a number, not {str(said).lower()}")  # noqa: TRY004 - pydantic explains only these
        return found
