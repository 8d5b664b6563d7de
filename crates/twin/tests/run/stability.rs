//! Stability: small among large, joined under water, long scans, empty and dry.
