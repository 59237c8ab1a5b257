//! The background entry point: knows all stages, is imported by none.
