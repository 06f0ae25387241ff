"""The versions of the store, one after the other; a store of an older version is taken through those it lacks."""

REVISIONS = ("0001", "0002")
VERSION_TABLE = "toeline_version"
