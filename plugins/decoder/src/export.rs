//! The border of the sandbox: world `decoder`.

use std::cell::RefCell;

use crate::Session;
use crate::picture;

#[allow(unsafe_code, missing_debug_implementations, reason = "generated code")]
mod bindings {
    wit_bindgen::generate!({
        path: "../../wit",
        world: "decoder",
    });
}

use bindings::Guest;
use bindings::forebay::plugin::decoding::{Description, Fault, Frame};

thread_local! {
    static SESSION: RefCell<Option<Session>> = const { RefCell::new(None) };
}

struct Decoder;

impl Guest for Decoder {
    fn begin(codec: String, configuration: Vec<u8>, pixels_max: u32) -> Result<(), Fault> {
        let session = Session::begin(&codec, &configuration, pixels_max)?;
        SESSION.set(Some(session));
        Ok(())
    }

    fn describe(
        codec: String,
        configuration: Vec<u8>,
        payload: Vec<u8>,
        pixels_max: u32,
    ) -> Result<Description, Fault> {
        let description = Session::describe(&codec, &configuration, &payload, pixels_max)?;
        // At most 16 bits.
        let narrow = |value: u32| u8::try_from(value).unwrap_or(u8::MAX);
        Ok(Description {
            width: description.width,
            height: description.height,
            chroma_format: narrow(description.chroma_format),
            depth_luma: narrow(description.depth_luma),
            depth_chroma: narrow(description.depth_chroma),
            chroma_left: description.chroma_left,
            full_range: description.full_range,
            matrix: description.matrix.as_str().to_owned(),
            arithmetic: description.arithmetic,
        })
    }

    fn decode_key(unit: u64, payload: Vec<u8>) -> Result<Frame, Fault> {
        with_session(|session| session.key(unit, &payload).map(Frame::from))
    }

    fn decode_next(unit: u64, payload: Vec<u8>, random_access: bool) -> Result<Vec<Frame>, Fault> {
        with_session(|session| {
            let frames = session.next(unit, &payload, random_access)?;
            Ok(frames.into_iter().map(Frame::from).collect())
        })
    }
}

fn with_session<T>(
    call: impl FnOnce(&mut Session) -> Result<T, picture::Fault>,
) -> Result<T, Fault> {
    SESSION.with_borrow_mut(|session| match session {
        Some(session) => call(session).map_err(Fault::from),
        None => Err(Fault::Unsupported("no stream has begun".to_owned())),
    })
}

impl From<picture::Fault> for Fault {
    fn from(fault: picture::Fault) -> Self {
        match fault {
            picture::Fault::Unfit(text) => Self::Unfit(text),
            picture::Fault::Unsupported(text) => Self::Unsupported(text),
            picture::Fault::KeyFramesOnly(text) => Self::KeyFramesOnly(text),
            picture::Fault::Damaged(text) => Self::Damaged(text),
        }
    }
}

impl From<picture::Frame> for Frame {
    fn from(frame: picture::Frame) -> Self {
        Self {
            unit: frame.unit,
            width: frame.width,
            height: frame.height,
            gray: frame.gray,
            samples: frame.samples,
            chroma_left: frame.chroma_left,
            full_range: frame.full_range,
            matrix: frame.matrix.as_str().to_owned(),
        }
    }
}

#[allow(unsafe_code, reason = "generated code")]
mod exported {
    super::bindings::export!(Decoder with_types_in super::bindings);
    use super::Decoder;
}
