//! Pictures to H.264: Constrained Baseline, one slice a picture, an IDR picture where asked.

use std::io;

use bytes::Bytes;
use rusty_h264_common::YuvPlanes;
use rusty_h264_encoder::{Encoder, EncoderConfig, Preset};

use crate::h264::{self, IDR, PPS, SPS};
use crate::picture::Picture;

/// Quantizer: the label stays sharp, the strip readable, a scene takes 150–300 kb/s.
const QP: u8 = 25;

/// A picture as the encoder wrote it.
#[derive(Debug, Clone)]
pub struct Coded {
    /// Decoding can begin here.
    pub key: bool,
    /// Its slices, as NAL units without start codes.
    pub slices: Vec<Bytes>,
}

/// Sequence and picture parameter set, as NAL units without start codes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ParameterSets {
    /// Sequence parameter set.
    pub sps: Bytes,
    /// Picture parameter set.
    pub pps: Bytes,
    /// Pixels a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// An encoder for pictures of one size.
#[derive(Debug)]
pub struct VideoEncoder {
    encoder: Box<Encoder>,
    width: usize,
    height: usize,
    parameters: Option<ParameterSets>,
}

impl VideoEncoder {
    /// `gop`: pictures from one key picture to the next, unless more are asked for.
    ///
    /// # Errors
    /// A size that H.264 level 3 or the encoder can't take.
    pub fn new(width: usize, height: usize, fps: f32, gop: u32) -> io::Result<Self> {
        let mut config = EncoderConfig::baseline(width, height);
        config.preset = Preset::Balanced;
        config.gop_size = gop;
        config.framerate = fps;
        config.qp = QP;
        let encoder = Encoder::new(config)
            .map_err(|e| io::Error::other(format!("no encoder for {width} x {height}: {e}")))?;
        Ok(Self {
            encoder: Box::new(encoder),
            width,
            height,
            parameters: None,
        })
    }

    /// Encodes the next picture; `key` asks for one that decoding can begin with.
    ///
    /// # Errors
    /// A picture of another size than that of the encoder.
    pub fn encode(&mut self, picture: &Picture, key: bool) -> io::Result<Coded> {
        let [y, u, v] = picture.planes();
        let (width, height) = (picture.width(), picture.height());
        let planes = YuvPlanes::new(width, height, y, u, v, width, width / 2)
            .filter(|planes| (planes.width, planes.height) == (self.width, self.height))
            .ok_or_else(|| {
                let (w, h) = (self.width, self.height);
                io::Error::other(format!(
                    "a picture of {width} x {height} in a stream of {w} x {h}"
                ))
            })?;
        if key {
            self.encoder.request_keyframe();
        }
        let stream = self
            .encoder
            .encode_planes(&planes)
            .map_err(io::Error::other)?;
        let nals = h264::split_annex_b(&stream);
        let find = |kind| nals.iter().find(|nal| h264::nal_type(nal) == kind);
        if let (Some(sps), Some(pps)) = (find(SPS), find(PPS)) {
            let (sps, pps) = (Bytes::copy_from_slice(sps), Bytes::copy_from_slice(pps));
            self.parameters = Some(ParameterSets {
                sps,
                pps,
                width,
                height,
            });
        }
        let slices: Vec<_> = nals
            .iter()
            .filter(|nal| (1..=IDR).contains(&h264::nal_type(nal)))
            .map(|nal| Bytes::copy_from_slice(nal))
            .collect();
        let key = slices.first().is_some_and(|nal| h264::nal_type(nal) == IDR);
        Ok(Coded { key, slices })
    }

    /// The parameter sets; none before the first picture.
    #[must_use]
    pub fn parameters(&self) -> Option<&ParameterSets> {
        self.parameters.as_ref()
    }
}
