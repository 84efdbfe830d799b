//! The pool between intake and sinks: recent units of one camera, bounded in bytes, read by many.
//!
//! Intake pushes and never waits. Each reader has a [`Cursor`] and its own pace; one that falls
//! behind the bound loses whole groups of pictures and is told exactly what it lost.

mod cursor;
mod ring;
mod unit;

pub use cursor::{Batch, Cursor, Lapse};
pub use ring::Hold;
pub use unit::{Codec, Track, TrackKind, TrackSet, Unit};
