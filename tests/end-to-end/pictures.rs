//! What comes of decoded pictures, from a camera that paints number and time into them.

mod stills;
mod thermal;
