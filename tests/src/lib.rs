//! Helpers for the tests that span packages.
