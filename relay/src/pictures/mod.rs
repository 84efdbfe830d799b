//! From coded units to pictures: decoded once, in a sandbox, scaled once for each size and format
//! that is asked for, and shared by whoever asked.
//!
//! A lane for each stream of a camera reads the hold at its own pace. `policy` says what is worth
//! decoding, `render` scales and converts, and the board hands out what comes of it. Nothing is
//! decoded while nobody has subscribed.

mod board;
mod both;
mod decoded;
mod picture;
pub mod policy;
mod request;

pub use board::{PictureBoard, Subscription};
pub use decoded::{DecodeFault, Decoded, Matrix, Range, Samples};
pub use picture::{Picture, Plane};
pub use request::{PixelFormat, Request, Source};
