"""The configuration that comes as an example, and invented secrets for it."""

from __future__ import annotations

from pathlib import Path

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLE = CONFIG / "watch.example.toml"
SECRETS = {
    "CLOSEWATCH_SINKS__MAIL__PASSWORD": "invented",
    "CLOSEWATCH_SINKS__HOOK__URL": "https://hook.example.org/in",
    "CLOSEWATCH_SINKS__HOOK__SECRET": "sixteen letters or more",
    "CLOSEWATCH_SINKS__PHONE__URLS": "json://push.example.org",
}
