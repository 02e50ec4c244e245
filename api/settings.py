"""What can be set about the service, from the environment: `NOSTART_MAX_BODY_BYTES` and so on."""

from pathlib import Path
from typing import Literal, Self

from pydantic import Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from diagnose.errors import SettingError

PREFIX = "NOSTART_"


class Settings(BaseSettings):
    """Limits and places; the descriptions are those of the table in the README."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, frozen=True)

    machines: Path | None = Field(
        default=None, description="folder with one folder per machine; else those that come along"
    )
    store: str | None = Field(
        default=None, description="URL where jobs are kept; else a file in the user's data folder"
    )
    metrics: Path | None = Field(
        default=None,
        description="folder in which the processes of one service tell each other what they "
        "counted; else a new one for each run",
    )
    keys: Literal["if_any", "always"] = Field(
        default="if_any", description="whether keys are asked for: once there are any, or `always`"
    )
    max_body_bytes: int = Field(
        default=65_536, ge=1_024, le=16_777_216, description="longest request body read"
    )
    cheap_slots: int = Field(
        default=2, ge=1, le=64, description="requests computed side by side in each process"
    )
    dear_slots: int = Field(
        default=1, ge=1, le=64, description="dear ones of them, which have these slots of their own"
    )
    waiting: int = Field(
        default=64, ge=0, le=10_000, description="requests that may wait for a slot of each kind"
    )
    deadline_seconds: float = Field(
        default=30.0, gt=0.0, le=600.0, description="longest time from request to answer"
    )
    graceful_seconds: int = Field(
        default=20, ge=1, le=600, description="time to finish what is begun, when told to stop"
    )
    requests_per_minute: int = Field(
        default=1_200, ge=1, le=1_000_000, description="requests of one key in a minute"
    )

    @field_validator("machines", "metrics")
    @classmethod
    def _is_there(cls, folder: Path | None) -> Path | None:
        if folder is not None and not folder.is_dir():
            raise ValueError("there is no such folder")
        return folder

    @classmethod
    def from_environment(cls) -> Self:
        """The settings of the environment.

        Raises:
            SettingError: one of them cannot be.
        """
        try:
            return cls()
        except ValidationError as error:
            first = error.errors()[0]
            name = f"{PREFIX}{'_'.join(str(step) for step in first['loc'])}".upper()
            said = first["msg"].removeprefix("Value error, ")
            raise SettingError(name, f"{said}; it is {str(first['input'])!r}") from None
