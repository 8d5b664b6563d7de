//! The board protocol: frames, messages, authentication, transports (docs/link.md).
