//! Decodes pictures in the sandbox.
