"""What can be set about the service, from the environment: `NOSTART_MAX_BODY_BYTES` and so on."""

from pathlib import Path

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """Limits and places.

    Attributes:
        machines: folder with one folder per machine; None for the machines that come along.
        max_body_bytes: longest request body read.
        max_concurrency: requests computed at the same time; the others wait without holding up
            the quick answers.
    """

    model_config = SettingsConfigDict(env_prefix="NOSTART_", frozen=True)

    machines: Path | None = None
    max_body_bytes: int = Field(default=65_536, ge=1_024, le=16_777_216)
    max_concurrency: int = Field(default=2, ge=1, le=64)
