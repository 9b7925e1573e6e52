"""Makes plates of peppers whose truth is exact: shapes, scenes, path tracing, phone-like development."""
