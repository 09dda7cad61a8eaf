"""The daemon file: links, broker, credentials' paths, rates, storage. Secrets only by path."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from supervisor.errors import InputError
from supervisor.fileerrors import explain


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LinkSection(_Section):
    """How the flight controller is reached."""

    address: str = Field(
        default="udp:0.0.0.0:14550",
        description="udp:HOST:PORT (listen), udp-out:HOST:PORT, tcp:HOST:PORT, "
        "tcp-listen:HOST:PORT, serial:DEVICE:BAUD",
    )
    system_id: int | None = Field(default=None, ge=1, le=255)
    signing_key: Path | None = Field(default=None, description="file with 32 bytes, hex")
    own_system_id: int | None = Field(default=None, ge=1, le=255)
    own_component_id: int = Field(default=191, ge=1, le=255, description="191: onboard computer")
    request_rates: bool = True
    download_plan: bool = False


class BrokerSection(_Section):
    """Where advisories go."""

    address: str = Field(
        default="", description="mqtt://HOST:PORT or mqtts://HOST:PORT; '' is none"
    )
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    password: Path | None = None
    signing_key: Path | None = Field(default=None, description="Ed25519, signs what we publish")
    people: Path | None = Field(default=None, description="public keys of who may acknowledge")
    budget_kb_per_hour: float = Field(default=300.0, gt=0)
    compress: Literal["auto", "always", "never"] = Field(
        default="auto", description="auto: all but advisories, unless the broker is on loopback"
    )


class StorageSection(_Section):
    """What is kept aboard."""

    directory: Path = Path("homeleg-data")
    record: bool = True
    learn: bool = Field(
        default=True, description="start from what earlier flights taught; keep what this one does"
    )


class ForecastSection(_Section):
    """How hard the forecast works."""

    members: int = Field(default=400, ge=50, le=5000)
    points: int = Field(default=40, ge=8, le=200)
    seed: int = Field(default=0, ge=0)


class HealthSection(_Section):
    """How the daemon tells of itself."""

    period_s: float = Field(default=300.0, ge=1, le=3600, description="and at once on a change")
    metrics_port: int = Field(
        default=0, ge=0, le=65535, description="OpenMetrics on 127.0.0.1; 0: none"
    )
    min_free_mb: float = Field(default=200.0, ge=0, description="less is a trouble, said so")


class DaemonFile(_Section):
    """All sections; each has defaults that work on a bench."""

    link: LinkSection = LinkSection()
    broker: BrokerSection = BrokerSection()
    storage: StorageSection = StorageSection()
    forecast: ForecastSection = ForecastSection()
    health: HealthSection = HealthSection()
    clock: Literal["receipt", "telemetry"] = Field(
        default="receipt", description="telemetry only for accelerated simulation"
    )
    log: Literal["console", "json"] = "console"


def load_daemon_file(path: Path) -> DaemonFile:
    """Read and validate; InputError names file, key, value and what is allowed."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(str(path), f"cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise InputError(str(path), "is not UTF-8 text") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(str(path), f"is not TOML: {error}") from None
    return parse_daemon(data, str(path))


def parse_daemon(data: dict[str, Any], where: str) -> DaemonFile:
    """Validate a mapping; ``where`` names it in errors."""
    try:
        return DaemonFile.model_validate(data)
    except ValidationError as error:
        raise explain(error, where, DaemonFile) from None
