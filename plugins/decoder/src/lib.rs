//! Decodes pictures in the sandbox.
//!
//! The decoders are young. So nothing reaches them that [`headers`] has not looked at, whatever
//! they are known to be wrong about is refused, and what they return is checked for holes and cuts.
//! The rest is the sandbox's part: memory and time are bounded by the relay.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::indexing_slicing,
        clippy::unusual_byte_groupings
    )
)]

pub mod headers;

#[cfg(target_family = "wasm")]
mod export;
mod h264;
mod h265;
mod jpeg;
mod picture;
mod unit;

pub use picture::{Description, Fault, Frame};

/// A stream with fixed parameters.
#[derive(Debug)]
pub struct Session(Kind);

#[derive(Debug)]
enum Kind {
    H264(Box<h264::H264>),
    H265(Box<h265::H265>),
    Jpeg(jpeg::Jpeg),
}

impl Session {
    /// Takes codec and decoder configuration as `wit/media.wit` lays them down.
    ///
    /// # Errors
    /// When no picture of such a stream could be decoded; the text says what is in the way.
    pub fn begin(codec: &str, configuration: &[u8], pixels_max: u32) -> Result<Self, Fault> {
        let kind = match codec {
            "h264" => Kind::H264(Box::new(h264::H264::begin(configuration, pixels_max)?)),
            "h265" => Kind::H265(Box::new(h265::H265::begin(configuration, pixels_max)?)),
            "jpeg" => Kind::Jpeg(jpeg::Jpeg::begin(pixels_max)),
            other => return Err(no_decoder(other)),
        };
        Ok(Self(kind))
    }

    /// What the headers of a unit of H.264 or H.265 say, also where its stream is refused.
    ///
    /// # Errors
    /// When they can't be read, are not those of one picture, or say what no decoder should be let
    /// at.
    pub fn describe(
        codec: &str,
        configuration: &[u8],
        payload: &[u8],
        pixels_max: u32,
    ) -> Result<Description, Fault> {
        match codec {
            "h264" => h264::H264::describe(configuration, payload, pixels_max),
            "h265" => h265::H265::describe(configuration, payload, pixels_max),
            other => Err(no_decoder(other)),
        }
    }

    /// Decodes a random access point without regard to what came before it.
    ///
    /// # Errors
    /// When the picture can't be had, or may be wrong.
    pub fn key(&self, unit: u64, payload: &[u8]) -> Result<Frame, Fault> {
        match &self.0 {
            Kind::H264(stream) => stream.key(unit, payload),
            Kind::H265(stream) => stream.key(unit, payload),
            Kind::Jpeg(stream) => stream.picture(unit, payload),
        }
    }

    /// Goes on with a stream that began at a random access point; pictures may come later.
    ///
    /// # Errors
    /// When a picture can't be had, or may be wrong: then nothing comes until the next random
    /// access point.
    pub fn next(
        &mut self,
        unit: u64,
        payload: &[u8],
        random_access: bool,
    ) -> Result<Vec<Frame>, Fault> {
        match &mut self.0 {
            Kind::H264(stream) => {
                let frame = stream.next(unit, payload, random_access)?;
                Ok(frame.into_iter().collect())
            }
            Kind::H265(stream) => stream.next(unit, payload, random_access),
            Kind::Jpeg(stream) => Ok(vec![stream.picture(unit, payload)?]),
        }
    }
}

fn no_decoder(codec: &str) -> Fault {
    Fault::Unfit(format!("there is no decoder for {codec:?}"))
}
