//! The C runtime as a library for tests on a computer: its hardware is what a test makes of it.
