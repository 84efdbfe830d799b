//! Takes stills on a schedule: the key frame nearest to each instant that is wanted, as JPEG. The
//! sandbox border is here; the rest knows nothing of it.

pub mod exif;
pub mod frame;
pub mod host;
pub mod jpeg;
pub mod measure;
pub mod schedule;
pub mod settings;
pub mod shutter;
pub mod still;
