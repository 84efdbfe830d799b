//! From coded units to pictures: decoded once, in a sandbox, scaled once for each size and format
//! that is asked for, and shared by whoever asked.

mod decoded;
mod picture;
mod request;

pub use decoded::{DecodeFault, Decoded, Matrix, Range, Samples};
pub use picture::{Picture, Plane};
pub use request::{PixelFormat, Request, Source};
