"""Parts in stud terms: ``build.toml`` -> placed parts, and back. See :func:`steps.place.build.read_build`."""
