use super::*;

#[test]
fn placeholder() {}
