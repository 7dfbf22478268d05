"""Configuration files of every stage and the one place that reads them."""

from raysplay.configs.load import CONFIG_DIR, landmark_schema, load

__all__ = ["CONFIG_DIR", "landmark_schema", "load"]
