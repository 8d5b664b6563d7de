//! Reader for the reference tables in `tests/reference`, shared by the cross-crate tests.
