//! From coded units to pictures: decoded once, in a sandbox, scaled once for each size and format
//! that is asked for, and shared by whoever asked.
//!
//! A [`Lane`] for each stream of a camera reads the hold at its own pace. `policy` says what is
//! worth decoding, `both` decodes it, `render` scales and converts, and the [`PictureBoard`] hands
//! out what comes of it. Nothing is decoded while nobody has subscribed.

mod board;
mod both;
mod convert;
mod decoded;
mod decoder;
mod ffmpeg;
mod guest;
mod handing;
mod health;
mod jpeg;
mod lane;
mod picture;
mod planes;
pub mod policy;
pub mod render;
mod request;
mod scale;
mod taps;
mod workshop;

pub use board::{PictureBoard, Subscription};
pub use both::{Decoder, DecoderOptions};
pub use decoded::{DecodeFault, Decoded, Matrix, Range, Samples};
pub(crate) use guest::DecoderCode;
pub(crate) use jpeg::coded;
pub use lane::Lane;
pub use picture::{Picture, Plane};
pub use request::{PixelFormat, Request, Source};
pub use workshop::{NoteFinding, Workshop};
