//! A lease in a file that two machines share.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};

use super::board::Board;
use super::contest::{Outcome, Sight, Timing};
use super::course::{Answer, Course, Reading, Record, Step, Turn};
use crate::units::CaptureTime;

/// Claims are kept for so many changes of the holder: whoever was stopped for longer finds that the
/// lease itself has changed.
pub(super) const CLAIMS_KEPT: u64 = 16;
/// A lease is a line; what is longer is none.
const BYTES_MAX: u64 = 4096;

/// Reads and writes it.
#[derive(Debug)]
pub(super) struct SharedFile {
    path: PathBuf,
    /// Written, then moved to its place.
    draft: PathBuf,
    me: String,
    timing: Timing,
    beat: u64,
}

impl SharedFile {
    pub(super) fn new(path: &Path, me: &str, timing: Timing) -> Self {
        let safe = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
        let of_me: String = me.chars().map(safe).collect();
        Self {
            path: path.to_owned(),
            draft: beside(path, &format!("{of_me}.draft")),
            me: me.to_owned(),
            timing,
            beat: 0,
        }
    }

    fn walk(&mut self, course: &Course) -> io::Result<Turn> {
        let mut step = course.begin();
        loop {
            let answer = match &step {
                Step::Read => Answer::Read(self.read()?),
                Step::Reserve(epoch) => Answer::Reserved(self.reserve(*epoch)?),
                Step::Replace(record) => {
                    self.replace(record)?;
                    Answer::Replaced
                }
            };
            match course.go_on(&answer) {
                Turn::Do(next) => step = next,
                turn => return Ok(turn),
            }
        }
    }

    fn settle(&mut self, course: &Course) -> io::Result<Outcome> {
        match self.walk(course)? {
            Turn::End(outcome) => Ok(outcome),
            Turn::Do(_) | Turn::Seen(_) => Ok(Outcome::Unknown),
        }
    }

    fn read(&self) -> io::Result<Reading> {
        // Opened anew each time: a network file system asks its server then.
        let text = match File::open(&self.path) {
            Ok(file) => {
                let mut text = Vec::new();
                file.take(BYTES_MAX).read_to_end(&mut text)?;
                Some(text)
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(error),
        };
        let claimed = self.claims()?.into_iter().max().unwrap_or(0);
        Ok(Reading { text, claimed })
    }

    /// The epochs of which there are claims.
    fn claims(&self) -> io::Result<Vec<u64>> {
        let name = self.path.file_name().unwrap_or_default().to_string_lossy();
        let mut claims = Vec::new();
        for entry in fs::read_dir(folder(&self.path))? {
            let entry = entry?.file_name();
            let epoch = entry.to_str().and_then(|entry| {
                let epoch = entry.strip_prefix(&*name)?.strip_prefix('.')?;
                epoch.parse::<u64>().ok().filter(|n| n.to_string() == epoch)
            });
            claims.extend(epoch);
        }
        Ok(claims)
    }

    /// A new file each time: one that an earlier life left may be linked to an old claim, and then its
    /// number of links would tell of that.
    fn draft(&self, text: &str) -> io::Result<()> {
        match fs::remove_file(&self.draft) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&self.draft)?;
        file.write_all(text.as_bytes())?;
        file.sync_data()
    }

    /// Makes the claim of an epoch. A link is made or not, on network file systems too; after an
    /// answer that was lost the number of links tells (open(2), on O_EXCL).
    fn reserve(&self, epoch: u64) -> io::Result<bool> {
        use std::os::unix::fs::MetadataExt as _;
        self.draft(&format!("{}\n", self.me))?;
        let claim = beside(&self.path, &epoch.to_string());
        let linked = fs::hard_link(&self.draft, &claim);
        let made = match &linked {
            Ok(()) => true,
            Err(_) => fs::metadata(&self.draft)?.nlink() == 2,
        };
        fs::remove_file(&self.draft)?;
        match linked {
            Err(error) if !made && error.kind() != io::ErrorKind::AlreadyExists => {
                let words =
                    format!("the file system must have hard links, and gives none: {error}");
                Err(io::Error::new(error.kind(), words))
            }
            _ => Ok(made),
        }
    }

    fn replace(&mut self, record: &Record) -> io::Result<()> {
        self.beat += 1;
        let record = Record {
            beat: self.beat,
            renewed: CaptureTime::now().to_string(),
            ..record.clone()
        };
        let mut text = serde_json::to_string(&record)?;
        text.push('\n');
        self.draft(&text)?;
        fs::rename(&self.draft, &self.path)
    }

    fn clear(&self, epoch: u64) {
        // What stays is cleared by the next holder.
        for claim in self.claims().unwrap_or_default() {
            if claim != 1 && claim.saturating_add(CLAIMS_KEPT) <= epoch {
                fs::remove_file(beside(&self.path, &claim.to_string())).ok();
            }
        }
    }
}

impl Board for SharedFile {
    fn look(&mut self) -> Result<Option<Sight>, String> {
        match self.walk(&Course::Look) {
            Ok(Turn::Seen(sight)) => Ok(sight),
            Ok(turn) => Err(format!("{turn:?}")),
            Err(error) => Err(self.words(&error)),
        }
    }

    fn claim(&mut self, over: Option<&Sight>) -> Result<Outcome, String> {
        let course = Course::claim(&self.me, over, &self.timing);
        let outcome = self.settle(&course).map_err(|error| self.words(&error))?;
        if let Outcome::Ours(epoch) = outcome {
            self.clear(epoch);
        }
        Ok(outcome)
    }

    fn renew(&mut self, epoch: u64) -> Result<Outcome, String> {
        let course = Course::Renew(Record::new(&self.me, epoch, &self.timing));
        self.settle(&course).map_err(|error| self.words(&error))
    }

    fn release(&mut self, epoch: u64) -> Result<(), String> {
        let course = Course::Renew(Record {
            holder: None,
            ..Record::new(&self.me, epoch, &self.timing)
        });
        let settled = self.settle(&course).map(drop);
        settled.map_err(|error| self.words(&error))
    }
}

impl SharedFile {
    fn words(&self, error: &io::Error) -> String {
        format!("the lease {}: {error}", self.path.display())
    }
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

fn beside(path: &Path, what: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".");
    name.push(what);
    name.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn board(path: &Path, me: &str) -> SharedFile {
        SharedFile::new(path, me, Timing::default())
    }

    #[test]
    fn it_is_taken_renewed_given_back_and_taken_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lease");
        let (mut a, mut b) = (board(&path, "a"), board(&path, "b"));
        assert_eq!(a.look(), Ok(None));
        assert_eq!(a.claim(None), Ok(Outcome::Ours(1)));
        // It had seen nothing, too.
        assert_eq!(b.claim(None), Ok(Outcome::Beaten));
        let first = b.look().unwrap().unwrap();
        assert_eq!((first.holder.as_deref(), first.epoch), (Some("a"), 1));
        assert_eq!(a.renew(1), Ok(Outcome::Ours(1)));
        let second = b.look().unwrap().unwrap();
        assert_ne!(first.mark, second.mark);
        // What it goes by is not so any more; the claim stays, and is seen.
        assert_eq!(b.claim(Some(&first)), Ok(Outcome::Beaten));
        let third = b.look().unwrap().unwrap();
        assert_eq!((third.epoch, &third.mark), (2, &second.mark));
        assert_eq!(b.claim(Some(&second)), Ok(Outcome::Beaten));
        assert_eq!(b.claim(Some(&third)), Ok(Outcome::Ours(3)));
        assert_eq!(a.renew(1), Ok(Outcome::Beaten));
        b.release(3).unwrap();
        let free = a.look().unwrap().unwrap();
        assert_eq!((free.holder.clone(), free.epoch), (None, 3));
        assert_eq!(a.claim(Some(&free)), Ok(Outcome::Ours(4)));
        assert_eq!(b.renew(3), Ok(Outcome::Beaten));
    }

    #[test]
    fn one_that_is_damaged_or_removed_is_somebodys() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lease");
        let (mut a, mut b) = (board(&path, "a"), board(&path, "b"));
        a.claim(None).unwrap();
        for damage in [&b""[..], b"\xff\0", b"{\"holder\":"] {
            fs::write(&path, damage).unwrap();
            assert!(b.look().unwrap().unwrap().holder.is_some());
        }
        fs::remove_file(&path).unwrap();
        assert!(b.look().unwrap().unwrap().holder.is_some());
        // Its holder puts it right.
        assert_eq!(a.renew(1), Ok(Outcome::Ours(1)));
        assert_eq!(b.look().unwrap().unwrap().holder.as_deref(), Some("a"));
        // One that nobody puts right can be taken.
        fs::remove_file(&path).unwrap();
        let gone = b.look().unwrap().unwrap();
        assert_eq!(b.claim(Some(&gone)), Ok(Outcome::Ours(2)));
        fs::write(&path, b"?").unwrap();
        let broken = a.look().unwrap().unwrap();
        assert_eq!(a.claim(Some(&broken)), Ok(Outcome::Ours(3)));
    }

    #[test]
    fn claims_do_not_pile_up() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lease");
        for number in 1..=50 {
            let mut board = board(&path, &format!("host/{number}"));
            let over = board.look().unwrap();
            assert_eq!(board.claim(over.as_ref()), Ok(Outcome::Ours(number)));
        }
        // The lease, the first claim, and the last ones.
        let files = fs::read_dir(folder.path()).unwrap().count();
        assert_eq!(files as u64, 2 + CLAIMS_KEPT);
    }

    /// Many at once, by the system's own files: each epoch has one holder.
    #[test]
    fn of_many_one_wins() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lease");
        for epoch in 1..=20 {
            let over = board(&path, "x").look().unwrap();
            let start = std::sync::Barrier::new(8);
            let won: Vec<_> = std::thread::scope(|scope| {
                let claim = |index| {
                    let (path, over, start) = (&path, over.clone(), &start);
                    scope.spawn(move || {
                        let mut board = board(path, &format!("c{index}"));
                        start.wait();
                        board.claim(over.as_ref()).unwrap()
                    })
                };
                let threads: Vec<_> = (0..8).map(claim).collect();
                threads.into_iter().map(|t| t.join().unwrap()).collect()
            });
            let ours = won.iter().filter(|won| **won == Outcome::Ours(epoch));
            assert_eq!(ours.count(), 1, "{won:?}");
            assert_eq!(won.iter().filter(|won| **won == Outcome::Beaten).count(), 7);
        }
    }
}
