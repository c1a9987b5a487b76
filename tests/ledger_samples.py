"""Ledgers to test with: a new SQLite file each, and a new PostgreSQL schema each where a server was given."""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import score_samples
from sqlalchemy import create_engine, make_url, text

from inkstrain.scoring.results.score import Conditions, Score
from inkstrain.targets.recipe import Recipe

POSTGRES = "INKSTRAIN_TEST_POSTGRES"


def sha(number: int) -> str:
    return hashlib.sha256(str(number).encode()).hexdigest()


def sample(number: int, **conditions: object) -> Score:
    """Return a score of its own scan; printer and paper invented."""
    stated = {"printer": "Alder (invented)", "paper": "gloss 290 (invented)", **conditions}
    contours = [(8.0, 1.5 + 0.01 * (number % 100))]
    return score_samples.score(
        score_samples.ring("blue", contours=contours), conditions=Conditions.model_validate(stated), sha256=sha(number),
        chart=Recipe().chart_id,
    ).model_copy(update={"recipe": Recipe().text})  # fmt: skip


@contextmanager
def postgres_url() -> Iterator[str]:
    """Yield the URL of a schema that nothing else uses, dropped afterwards."""
    server = os.environ.get(POSTGRES)
    if not server:
        pytest.skip(f"no PostgreSQL server: {POSTGRES} is not set (.ci/run starts one)")
    url = make_url(server).set(drivername="postgresql+psycopg")
    schema = f"t{uuid.uuid4().hex[:12]}"
    engine = create_engine(url)
    try:
        with engine.begin() as connection:
            connection.execute(text(f"CREATE SCHEMA {schema}"))
        of_schema = url.update_query_dict({"options": f"-csearch_path={schema}"})
        yield of_schema.set(drivername="postgresql").render_as_string(hide_password=False)
        with engine.begin() as connection:
            connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
    finally:
        engine.dispose()
