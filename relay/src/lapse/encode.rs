//! Coding a film: H.264 in pieces that each begin anew, so that they can be made side by side and an
//! interrupted film goes on behind its last whole piece.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;

use openh264::OpenH264API;
use openh264::encoder::{
    Complexity, Encoder, EncoderConfig, FrameRate, IntraFramePeriod, Profile, QpRange,
    RateControlMode, UsageType, VuiConfig,
};
use openh264::formats::YUVSlices;

use forebay_darkroom::colour::FilmFrame;
use forebay_darkroom::frame::Plane;

/// What of its output a program may hand back for a piece.
const OUTPUT_BYTES_MAX: u64 = 1 << 30;
/// What is read of a line that a program says.
const LINE_BYTES_MAX: u64 = 4096;
/// As [`FilmFrame`] has them, and films of high definition (ITU-R BT.709).
const COLOURS: [&str; 8] = [
    "-color_primaries",
    "bt709",
    "-color_trc",
    "bt709",
    "-colorspace",
    "bt709",
    "-color_range",
    "tv",
];

/// Who codes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Coder {
    /// The encoder that is built in.
    BuiltIn,
    /// An ffmpeg with libx264: smaller.
    Ffmpeg(PathBuf),
}

impl Coder {
    /// Tells a program from another one that has taken its place: pieces of both don't fit together.
    pub(super) fn identity(&self) -> String {
        let Self::Ffmpeg(path) = self else {
            return format!("{self:?}");
        };
        let found = std::fs::metadata(path).ok();
        let found = found.map(|found| (found.len(), found.modified().ok()));
        format!("{self:?} {found:?}")
    }
}

/// How well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quality {
    /// To be worked on further.
    High,
    /// To be published.
    Good,
    /// To be sent around.
    Small,
}

impl Quality {
    /// The quantizer of the built-in encoder, one for all frames.
    fn quantizer(self) -> u8 {
        match self {
            Self::High => 20,
            Self::Good => 24,
            Self::Small => 29,
        }
    }

    /// The rate factor of libx264 whose PSNR is about the same, by the clips in `README.md`.
    fn rate_factor(self) -> u8 {
        match self {
            Self::High => 18,
            Self::Good => 23,
            Self::Small => 28,
        }
    }
}

/// Why a film can't be coded.
#[derive(Debug, thiserror::Error)]
pub enum CodeFault {
    /// The built-in encoder's words.
    #[error("the encoder refuses: {0}")]
    BuiltIn(#[from] openh264::Error),
    /// A program.
    #[error("{}: {text}", program.display())]
    Program {
        /// Which one.
        program: PathBuf,
        /// What is wrong with it.
        text: String,
    },
    /// No film.
    #[error("the encoder gave {0}")]
    Odd(&'static str),
}

/// A coded frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Coded {
    /// NAL units, each with its length in four bytes before it.
    pub bytes: Vec<u8>,
    /// Decoding can begin here.
    pub sync: bool,
}

/// Some frames that can be decoded without others.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Piece {
    /// The sequence parameter set.
    pub sps: Vec<u8>,
    /// The picture parameter set.
    pub pps: Vec<u8>,
    /// In the order in which they are shown.
    pub frames: Vec<Coded>,
}

impl Piece {
    fn add(&mut self, units: &[u8]) -> Result<(), CodeFault> {
        let mut coded = Coded {
            bytes: Vec::with_capacity(units.len() + 8),
            sync: false,
        };
        for unit in nal_units(units) {
            match unit.first().map(|first| first & 31) {
                Some(7) => self.sps = unit.to_vec(),
                Some(8) => self.pps = unit.to_vec(),
                // Delimiters say nothing that a container does not say.
                Some(9) | None => {}
                Some(kind) => {
                    coded.sync |= kind == 5;
                    let length = u32::try_from(unit.len())
                        .map_err(|_| CodeFault::Odd("too large a frame"))?;
                    coded.bytes.extend(length.to_be_bytes());
                    coded.bytes.extend(unit);
                }
            }
        }
        if coded.bytes.is_empty() {
            return Err(CodeFault::Odd("no picture for a frame"));
        }
        self.frames.push(coded);
        Ok(())
    }
}

/// Splits a byte stream (ITU-T H.264 Annex B) at its start codes.
fn nal_units(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut rest = bytes;
    let mut begun = false;
    std::iter::from_fn(move || {
        loop {
            if rest.is_empty() {
                return None;
            }
            let next = rest.windows(3).position(|three| three == [0, 0, 1]);
            let (unit, after) = match next {
                Some(at) => (rest.get(..at)?, rest.get(at + 3..)?),
                None => (rest, &[][..]),
            };
            rest = after;
            let was = std::mem::replace(&mut begun, true);
            // A zero before a start code belongs to it.
            let end = unit
                .iter()
                .rposition(|byte| *byte != 0)
                .map_or(0, |last| last + 1);
            if was && end > 0 {
                return unit.get(..end);
            }
        }
    })
}

/// Codes one piece.
pub struct PieceCoder {
    way: Way,
    piece: Piece,
    size: (usize, usize),
}

enum Way {
    BuiltIn(Box<Encoder>),
    Program(Program),
}

/// A program that codes what it is handed.
struct Program {
    path: PathBuf,
    child: Child,
    output: Option<JoinHandle<std::io::Result<Vec<u8>>>>,
    said: Option<JoinHandle<String>>,
    frames: usize,
}

impl Program {
    fn start(path: &Path, mut command: Command) -> Result<Self, CodeFault> {
        let spawned = command.spawn().map_err(|error| CodeFault::Program {
            program: path.to_owned(),
            text: format!("can't be run: {error}"),
        });
        let mut child = spawned?;
        let (stdout, stderr) = (child.stdout.take(), child.stderr.take());
        let output = std::thread::spawn(move || {
            let mut bytes = Vec::new();
            if let Some(stdout) = stdout {
                stdout.take(OUTPUT_BYTES_MAX).read_to_end(&mut bytes)?;
            }
            Ok(bytes)
        });
        let said = std::thread::spawn(move || last_line(stderr));
        Ok(Self {
            path: path.to_owned(),
            child,
            output: Some(output),
            said: Some(said),
            frames: 0,
        })
    }

    fn fault(&self, text: String) -> CodeFault {
        CodeFault::Program {
            program: self.path.clone(),
            text,
        }
    }

    fn add(&mut self, planes: &[Plane; 3]) -> Result<(), CodeFault> {
        self.frames += 1;
        let Some(input) = &mut self.child.stdin else {
            return Err(CodeFault::Odd("no way in"));
        };
        let mut samples = planes.iter().map(|plane| &plane.samples);
        match samples.try_for_each(|samples| input.write_all(samples)) {
            Ok(()) => Ok(()),
            // Why it takes no more is told by its end.
            Err(error) => self
                .end()
                .and(Err(self.fault(format!("it ended early ({error})")))),
        }
    }

    /// Waits for its end; an error where that is none that was meant.
    fn end(&mut self) -> Result<(), CodeFault> {
        drop(self.child.stdin.take());
        let status = self.child.wait();
        let status = status.map_err(|error| self.fault(error.to_string()))?;
        let said = self.said.take().map(JoinHandle::join);
        let said = said.and_then(Result::ok).unwrap_or_default();
        match (status.success(), said.as_str()) {
            (true, _) => Ok(()),
            (false, "") => Err(self.fault(format!("it ended with {status}"))),
            (false, said) => Err(self.fault(format!("it ended with {status}: {said}"))),
        }
    }

    /// All that it made.
    fn finish(mut self) -> Result<(Vec<u8>, usize), CodeFault> {
        drop(self.child.stdin.take());
        let output = self.output.take().map(JoinHandle::join);
        self.end()?;
        let bytes = output.and_then(Result::ok).unwrap_or(Ok(Vec::new()));
        let bytes = bytes.map_err(|error| self.fault(error.to_string()))?;
        Ok((bytes, self.frames))
    }
}

impl Drop for Program {
    /// Where a film is stopped, nobody waits for what it would still say.
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

/// The last line of what a program says, without what would spoil a terminal.
fn last_line(said: Option<impl std::io::Read>) -> String {
    let Some(said) = said else {
        return String::new();
    };
    let mut last = String::new();
    let mut lines = BufReader::new(said);
    let mut line = Vec::new();
    loop {
        line.clear();
        // What has no end is read in parts.
        match lines
            .by_ref()
            .take(LINE_BYTES_MAX)
            .read_until(b'\n', &mut line)
        {
            Ok(0) | Err(_) => return last,
            Ok(_) => {}
        }
        let text = String::from_utf8_lossy(&line);
        let text: String = text.chars().filter(|c| !c.is_control()).collect();
        if !text.trim().is_empty() {
            last = text.trim().to_owned();
        }
    }
}

impl std::fmt::Debug for PieceCoder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PieceCoder")
            .field("size", &self.size)
            .finish_non_exhaustive()
    }
}

impl PieceCoder {
    /// For frames of a size.
    ///
    /// # Errors
    /// [`CodeFault`].
    pub fn new(
        coder: &Coder,
        quality: Quality,
        (width, height): (usize, usize),
        frames_per_second: u32,
    ) -> Result<Self, CodeFault> {
        let way = match coder {
            Coder::BuiltIn => {
                let quantizer = quality.quantizer();
                let config = EncoderConfig::new()
                    .usage_type(UsageType::CameraVideoRealTime)
                    .complexity(Complexity::High)
                    .profile(Profile::High)
                    // The same for all frames: no rate is to be met, and pieces must look alike.
                    .rate_control_mode(RateControlMode::Bufferbased)
                    .qp(QpRange::new(quantizer, quantizer))
                    .skip_frames(false)
                    .adaptive_quantization(false)
                    .background_detection(false)
                    .scene_change_detect(false)
                    .intra_frame_period(IntraFramePeriod::auto())
                    .max_frame_rate(FrameRate::from_hz(frames_per_second as f32))
                    .num_threads(1)
                    .vui(VuiConfig::bt709());
                let api = OpenH264API::from_source();
                Way::BuiltIn(Box::new(Encoder::with_api_config(api, config)?))
            }
            Coder::Ffmpeg(program) => {
                let command = command(program, quality, (width, height), frames_per_second);
                Way::Program(Program::start(program, command)?)
            }
        };
        Ok(Self {
            way,
            piece: Piece::default(),
            size: (width, height),
        })
    }

    /// Codes the next frame.
    ///
    /// # Errors
    /// [`CodeFault`].
    pub fn add(&mut self, frame: &FilmFrame) -> Result<(), CodeFault> {
        let [y, u, v] = &frame.planes;
        match &mut self.way {
            Way::BuiltIn(encoder) => {
                let slices = YUVSlices::new(
                    (&y.samples, &u.samples, &v.samples),
                    self.size,
                    (y.width, u.width, v.width),
                );
                let units = encoder.encode(&slices)?.to_vec();
                self.piece.add(&units)
            }
            Way::Program(program) => program.add(&frame.planes),
        }
    }

    /// All that was coded.
    ///
    /// # Errors
    /// [`CodeFault`].
    pub fn finish(mut self) -> Result<Piece, CodeFault> {
        if let Way::Program(program) = self.way {
            let (bytes, frames) = program.finish()?;
            for unit in access_units(&bytes) {
                self.piece.add(unit)?;
            }
            if self.piece.frames.len() != frames {
                return Err(CodeFault::Odd("another number of frames than it got"));
            }
        }
        if self.piece.sps.is_empty() || self.piece.pps.is_empty() {
            return Err(CodeFault::Odd("no parameters"));
        }
        Ok(self.piece)
    }
}

/// Splits a byte stream before each access unit delimiter.
fn access_units(bytes: &[u8]) -> Vec<&[u8]> {
    const DELIMITER: [u8; 5] = [0, 0, 0, 1, 9];
    let windows = bytes.windows(DELIMITER.len()).enumerate();
    let mut begins: Vec<usize> = windows
        .filter(|(_, w)| *w == DELIMITER)
        .map(|(at, _)| at)
        .collect();
    begins.push(bytes.len());
    begins
        .windows(2)
        .filter_map(|pair| bytes.get(*pair.first()?..*pair.last()?))
        .collect()
}

fn command(
    program: &Path,
    quality: Quality,
    (width, height): (usize, usize),
    rate: u32,
) -> Command {
    let mut command = Command::new(program);
    command
        .args(["-v", "error", "-nostdin", "-f", "rawvideo"])
        .args(["-pix_fmt", "yuv420p"])
        // Of what goes in, too: where only what comes out is told, newer versions convert it.
        .args(COLOURS)
        .args([
            "-s",
            &format!("{width}x{height}"),
            "-r",
            &rate.to_string(),
            "-i",
            "pipe:0",
        ])
        .args([
            "-threads",
            "1",
            "-c:v",
            "libx264",
            "-preset",
            "medium",
            "-profile:v",
            "high",
        ])
        .args([
            "-crf",
            &quality.rate_factor().to_string(),
            "-g",
            "1000",
            "-bf",
            "0",
        ])
        .args(["-x264-params", "aud=1:scenecut=0"])
        .args(COLOURS)
        .args(["-f", "h264", "pipe:1"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        // A signal from the terminal is for the film, which ends the program by itself.
        .process_group(0);
    command
}

/// An ffmpeg in the program path that has libx264.
#[must_use]
pub fn find_ffmpeg() -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    let program = std::env::split_paths(&path)
        .map(|folder| folder.join("ffmpeg"))
        .find(|p| p.is_file())?;
    let listed = Command::new(&program)
        .args(["-v", "error", "-encoders"])
        .stdin(Stdio::null())
        .output()
        .ok()?;
    let has = listed.stdout.windows(7).any(|word| word == b"libx264");
    has.then_some(program)
}

#[cfg(test)]
#[path = "encode_tests.rs"]
mod tests;
