//! The folder of a film: what of it is done, so that an interrupted run goes on.
//!
//! `.work/state.json` has the options, `survey.jsonl` a line for each candidate that was looked at,
//! `measures.jsonl` one for each chosen frame, `film-00000.piece` coded pieces.

use std::collections::{BTreeMap, HashMap};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{
    self, BufRead as _, BufReader, BufWriter, Read as _, Seek as _, SeekFrom, Write as _,
};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::LapseError;
use super::source::Candidate;
use forebay_darkroom::affine::Affine;
use forebay_darkroom::align::Pose;
use forebay_darkroom::level::{Curve, Curves, KNOTS};
use forebay_darkroom::survey::Look;

const WORK: &str = ".work";

/// A line of the survey.
#[derive(Debug, Serialize, Deserialize)]
struct Surveyed {
    name: String,
    at: i64,
    bytes: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    look: Option<Look>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fault: Option<String>,
}

/// What a look at a candidate gave.
pub(super) type Outcome = Result<Look, String>;

/// What was measured of a chosen frame.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Measure {
    pub(super) pose: Pose,
    pub(super) curves: Curves,
    /// Those of what is levelled by itself.
    pub(super) apart: Option<Curves>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Measured {
    name: String,
    at: i64,
    bytes: u64,
    /// Pixels that a pose is in: those of all frames, which other material may change.
    size: (usize, usize),
    /// The bits of six numbers: a text of them may differ in the last.
    affine: [u64; 6],
    correlation: f64,
    view: u32,
    curves: String,
}

#[derive(Debug, Serialize, Deserialize)]
struct State {
    /// Another one may measure and code otherwise.
    #[serde(default)]
    version: String,
    options: BTreeMap<String, String>,
}

/// Which program this is.
fn version() -> String {
    format!("{} {}", env!("CARGO_PKG_VERSION"), env!("FOREBAY_COMMIT"))
}

/// The folder.
#[derive(Debug)]
pub(super) struct Store {
    out: PathBuf,
    /// Held as long as this process is at it.
    _lock: File,
}

/// A file of lines that grows.
#[derive(Debug)]
pub(super) struct Lines {
    path: PathBuf,
    file: BufWriter<File>,
}

impl Lines {
    fn open(path: PathBuf) -> Result<Self, LapseError> {
        let open = || {
            let mut file = OpenOptions::new()
                .read(true)
                .append(true)
                .create(true)
                .open(&path)?;
            // What a crash has cut is closed, and then no line.
            let end = file.seek(SeekFrom::End(0))?;
            if end > 0 {
                let mut last = [0];
                file.seek(SeekFrom::Start(end - 1))?;
                file.read_exact(&mut last)?;
                if last != [b'\n'] {
                    file.write_all(b"\n")?;
                }
            }
            Ok(BufWriter::new(file))
        };
        let file = open().map_err(LapseError::write(&path))?;
        Ok(Self { path, file })
    }

    fn add(&mut self, line: &impl Serialize) -> Result<(), LapseError> {
        let mut write = || {
            serde_json::to_writer(&mut self.file, line)?;
            self.file.write_all(b"\n")
        };
        write().map_err(LapseError::write(&self.path))
    }

    pub(super) fn flush(&mut self) -> Result<(), LapseError> {
        self.file.flush().map_err(LapseError::write(&self.path))
    }
}

impl Store {
    /// Opens the folder, or makes it.
    pub(super) fn open(
        out: &Path,
        options: &BTreeMap<String, String>,
        again: bool,
    ) -> Result<Self, LapseError> {
        let work = out.join(WORK);
        let state = work.join("state.json");
        let begun = state.exists();
        if !begun
            && !work.exists()
            && std::fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_some())
        {
            return Err(LapseError::NotOurs(out.to_owned()));
        }
        std::fs::create_dir_all(&work).map_err(LapseError::write(&work))?;
        let lock_path = work.join("lock");
        let lock = File::create(&lock_path).map_err(LapseError::write(&lock_path))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(LapseError::Busy(out.to_owned())),
            Err(TryLockError::Error(error)) => return Err(LapseError::write(&lock_path)(error)),
        }
        let store = Self {
            out: out.to_owned(),
            _lock: lock,
        };
        if begun {
            let read =
                || -> io::Result<State> { Ok(serde_json::from_slice(&std::fs::read(&state)?)?) };
            let old = read();
            let differ = match &old {
                Ok(old) => {
                    let names = options
                        .iter()
                        .filter(|(name, text)| old.options.get(*name) != Some(text));
                    names
                        .map(|(name, _)| name.as_str())
                        .collect::<Vec<_>>()
                        .join("; ")
                }
                Err(_) => String::new(),
            };
            match old {
                Err(source) if !again => {
                    return Err(LapseError::State {
                        path: state,
                        source,
                    });
                }
                Ok(old) if differ.is_empty() && old.version == version() => return Ok(store),
                Ok(_) if differ.is_empty() => {
                    tracing::warn!(
                        "{} was begun by another version of this program: it is begun anew",
                        out.display()
                    );
                    store.forget()?;
                    remove(&work.join("survey.jsonl"))?;
                }
                _ if !again => {
                    let out = out.to_owned();
                    return Err(LapseError::OtherOptions { out, names: differ });
                }
                _ => store.forget()?,
            }
        }
        let state = State {
            version: version(),
            options: options.clone(),
        };
        let text = serde_json::to_vec_pretty(&state)
            .map_err(|error| LapseError::write(out)(error.into()))?;
        store.put(&Path::new(WORK).join("state.json"), &text)?;
        Ok(store)
    }

    /// Takes away what was made; what was seen of candidates stays, and so do choices, which somebody may
    /// have edited.
    fn forget(&self) -> Result<(), LapseError> {
        for name in ["film.mp4", "report.html", ".work/measures.jsonl"] {
            remove(&self.out.join(name))?;
        }
        self.only_intra(&[])?;
        for (folder, what) in [
            (WORK, "piece"),
            ("frames", "jpg"),
            ("frames", "csv"),
            (".work/thumbs", "jpg"),
        ] {
            for path in self.listed(folder, what) {
                remove(&path)?;
            }
        }
        Ok(())
    }

    /// Takes away films of key frames as they were recorded, but for those of these names.
    pub(super) fn only_intra(&self, names: &[String]) -> Result<(), LapseError> {
        for path in self.listed("", "mp4") {
            let name = path.file_name().and_then(|name| name.to_str());
            let name = name.filter(|name| name.starts_with("intra"));
            if name.is_some_and(|name| names.iter().all(|kept| kept != name)) {
                remove(&path)?;
            }
        }
        Ok(())
    }

    /// Takes away frames and pieces behind the end of a film: those of a longer one, from before.
    pub(super) fn cut(&self, frames: usize, pieces: usize) -> Result<(), LapseError> {
        for (folder, what, end) in [
            ("frames", "jpg", frames),
            (".work/thumbs", "jpg", frames),
            (WORK, "piece", pieces),
        ] {
            for path in self.listed(folder, what) {
                let digits = path.file_stem().and_then(|stem| stem.to_str());
                let digits = digits.map(|stem| stem.trim_start_matches("film-"));
                let number: Option<usize> = digits.and_then(|digits| digits.parse().ok());
                // Frames count from 1, pieces from 0.
                let first = usize::from(what == "jpg");
                if number.is_some_and(|number| number >= end + first) {
                    remove(&path)?;
                }
            }
        }
        Ok(())
    }

    fn listed(&self, folder: &str, extension: &str) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(self.out.join(folder));
        let paths = entries
            .into_iter()
            .flatten()
            .filter_map(|entry| Some(entry.ok()?.path()));
        paths
            .filter(|path| path.extension().is_some_and(|e| e == extension))
            .collect()
    }

    /// A path in the folder.
    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.out.join(name)
    }

    pub(super) fn folder(&self, name: &str) -> Result<PathBuf, LapseError> {
        let path = self.out.join(name);
        std::fs::create_dir_all(&path).map_err(LapseError::write(&path))?;
        Ok(path)
    }

    pub(super) fn piece(&self, number: usize) -> PathBuf {
        self.out.join(WORK).join(format!("film-{number:05}.piece"))
    }

    /// Writes a file, whole or not at all.
    pub(super) fn put(&self, name: &Path, bytes: &[u8]) -> Result<(), LapseError> {
        self.make(name, |out| out.write_all(bytes))
    }

    /// As [`put`](Self::put), with what `fill` writes.
    pub(super) fn make(
        &self,
        name: &Path,
        fill: impl FnOnce(&mut dyn io::Write) -> io::Result<()>,
    ) -> Result<(), LapseError> {
        let path = self.out.join(name);
        let mut part = path.clone().into_os_string();
        part.push(".part");
        let part = PathBuf::from(part);
        let write = || {
            let mut file = BufWriter::new(File::create(&part)?);
            fill(&mut file)?;
            file.flush()?;
            std::fs::rename(&part, &path)
        };
        write().map_err(LapseError::write(&path))
    }

    /// What is known of candidates.
    pub(super) fn survey(
        &self,
        candidates: &[Candidate],
    ) -> Result<HashMap<usize, Outcome>, LapseError> {
        let by_name: HashMap<String, usize> = candidates
            .iter()
            .enumerate()
            .map(|(index, candidate)| (candidate.name(), index))
            .collect();
        let mut known = HashMap::new();
        self.each_line("survey.jsonl", &mut |line: Surveyed| {
            let index = by_name.get(&line.name).copied();
            let same = index.and_then(|index| Some((index, candidates.get(index)?)));
            if let Some((index, candidate)) = same
                && (candidate.at, candidate.bytes) == (line.at, line.bytes)
            {
                known.insert(
                    index,
                    line.look.ok_or_else(|| line.fault.unwrap_or_default()),
                );
            }
            true
        })?;
        Ok(known)
    }

    pub(super) fn survey_lines(&self) -> Result<Lines, LapseError> {
        Lines::open(self.out.join(WORK).join("survey.jsonl"))
    }

    pub(super) fn add_look(
        lines: &mut Lines,
        candidate: &Candidate,
        outcome: &Outcome,
    ) -> Result<(), LapseError> {
        lines.add(&Surveyed {
            name: candidate.name(),
            at: candidate.at,
            bytes: candidate.bytes,
            look: outcome.as_ref().ok().cloned(),
            fault: outcome.as_ref().err().cloned(),
        })
    }

    /// What was measured of chosen frames, brought to a size, as far as they are the same.
    pub(super) fn measures(
        &self,
        taken: &[&Candidate],
        size: (usize, usize),
    ) -> Result<Vec<Measure>, LapseError> {
        let mut measures = Vec::new();
        self.each_line("measures.jsonl", &mut |line: Measured| {
            let same = taken.get(measures.len()).is_some_and(|candidate| {
                candidate.name() == line.name
                    && (candidate.at, candidate.bytes, size) == (line.at, line.bytes, line.size)
            });
            match same.then(|| unpack(&line)).flatten() {
                Some(measure) => measures.push(measure),
                None => return false,
            }
            true
        })?;
        Ok(measures)
    }

    /// Begins the file of measures anew with those that are known.
    pub(super) fn measure_lines(
        &self,
        (taken, size): (&[&Candidate], (usize, usize)),
        known: &[Measure],
    ) -> Result<Lines, LapseError> {
        let path = self.out.join(WORK).join("measures.jsonl");
        remove(&path)?;
        let mut lines = Lines::open(path)?;
        for (candidate, measure) in taken.iter().zip(known) {
            Self::add_measure(&mut lines, (candidate, size), measure)?;
        }
        Ok(lines)
    }

    pub(super) fn add_measure(
        lines: &mut Lines,
        (candidate, size): (&Candidate, (usize, usize)),
        measure: &Measure,
    ) -> Result<(), LapseError> {
        let all = measure.curves.iter().chain(measure.apart.iter().flatten());
        let bytes = all.flat_map(|curve| curve.to_bytes());
        let Affine(affine) = measure.pose.affine;
        lines.add(&Measured {
            name: candidate.name(),
            at: candidate.at,
            bytes: candidate.bytes,
            size,
            affine: affine.map(f64::to_bits),
            correlation: measure.pose.correlation,
            view: measure.pose.view,
            curves: bytes.map(|byte| format!("{byte:02x}")).collect(),
        })
    }

    /// Lines that can be read, in order, until `take` has enough.
    fn each_line<T: serde::de::DeserializeOwned>(
        &self,
        name: &str,
        take: &mut dyn FnMut(T) -> bool,
    ) -> Result<(), LapseError> {
        let path = self.out.join(WORK).join(name);
        let file = match File::open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            Err(source) => return Err(LapseError::State { path, source }),
        };
        for line in BufReader::new(file).split(b'\n') {
            let line = line.map_err(|source| LapseError::State {
                path: path.clone(),
                source,
            })?;
            // A line that was cut off is one that is not there.
            if let Ok(value) = serde_json::from_slice(&line)
                && !take(value)
            {
                break;
            }
        }
        Ok(())
    }
}

fn remove(path: &Path) -> Result<(), LapseError> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(LapseError::write(path)(error))
        }
        _ => Ok(()),
    }
}

fn unpack(line: &Measured) -> Option<Measure> {
    let (pairs, odd) = line.curves.as_bytes().as_chunks::<2>();
    let digit = |c: &u8| char::from(*c).to_digit(16).map(|digit| digit as u8);
    let bytes = pairs
        .iter()
        .map(|[high, low]| Some(digit(high)? << 4 | digit(low)?));
    let bytes: Vec<u8> = bytes.collect::<Option<_>>()?;
    let curves = bytes
        .chunks(2 * KNOTS)
        .map(Curve::from_bytes)
        .collect::<Option<Vec<_>>>()?;
    let (sets, rest) = curves.as_chunks::<3>();
    let (own, apart) = match sets {
        [own] => (own, None),
        [own, apart] => (own, Some(*apart)),
        _ => return None,
    };
    Some(Measure {
        pose: Pose {
            affine: Affine(line.affine.map(f64::from_bits)),
            correlation: line.correlation,
            view: line.view,
        },
        curves: Some(*own).filter(|_| odd.is_empty() && rest.is_empty())?,
        apart,
    })
}
