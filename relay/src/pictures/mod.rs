//! From coded units to pictures: decoded once, in a sandbox, scaled once for each size and format
//! that is asked for, and shared by whoever asked.

mod both;
mod decoded;
mod decoder;
mod ffmpeg;
mod guest;
mod picture;
mod planes;
mod request;

pub use both::{Decoder, DecoderOptions};
pub use decoded::{DecodeFault, Decoded, Matrix, Range, Samples};
pub(crate) use guest::DecoderCode;
pub use picture::{Picture, Plane};
pub use request::{PixelFormat, Request, Source};
