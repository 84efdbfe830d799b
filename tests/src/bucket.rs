//! An S3-compatible store of PyPI (`peers/s3_store.py`), and a bad way to it: a proxy that does to
//! requests what networks and stores do.

use std::collections::{BTreeMap, VecDeque};
use std::io::{BufRead as _, BufReader, Read, Write};
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::{sleep, spawn};
use std::time::{Duration, Instant};

use serde::Deserialize;

use crate::{Running, run, script};

/// Its one bucket.
pub const BUCKET: &str = "boatyard";
/// What a slow answer takes for a byte, and for how long the proxy goes on with it.
const DRIP: Duration = Duration::from_millis(200);
const DRIP_MAX: Duration = Duration::from_secs(60);

/// The store.
#[derive(Debug)]
pub struct Store {
    _process: Running,
    port: u16,
}

/// What an object is, by a client that shares no code with the relay.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct Stored {
    /// Its length.
    pub bytes: u64,
    /// Its SHA-256, in hexadecimal digits.
    pub sha256: String,
    /// What is noted beside it.
    pub metadata: BTreeMap<String, String>,
}

fn python() -> Command {
    // A Python that has moto and boto3; `tests/run` makes one.
    let python = std::env::var_os("FOREBAY_PYTHON").unwrap_or_else(|| "python3".into());
    let mut command = Command::new(python);
    command.arg(script("s3_store.py"));
    command
}

impl Store {
    /// With an empty bucket.
    #[must_use]
    pub fn start() -> Self {
        let mut process = Running::start(
            python()
                .args(["serve", BUCKET])
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(Stdio::null()),
        );
        let said = process.child().stdout.take().unwrap();
        let mut line = String::new();
        BufReader::new(said).read_line(&mut line).unwrap();
        let port = line.trim().parse();
        Self {
            port: port.expect("s3_store.py tells its port: are moto[server] and boto3 installed?"),
            _process: process,
        }
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        (Ipv4Addr::LOCALHOST, self.port).into()
    }

    fn ask(&self, what: &str, arguments: &[&str]) -> String {
        let port = self.port.to_string();
        let output = run(python().args([what, &port, BUCKET]).args(arguments));
        String::from_utf8(output.stdout).unwrap()
    }

    /// All objects by their keys.
    #[must_use]
    pub fn objects(&self) -> BTreeMap<String, Stored> {
        serde_json::from_str(&self.ask("list", &[])).unwrap()
    }

    /// The same, each as a file below a folder.
    pub fn get(&self, folder: &Path) -> BTreeMap<String, Stored> {
        serde_json::from_str(&self.ask("get", &[folder.to_str().unwrap()])).unwrap()
    }

    /// Turns a bit of an object.
    pub fn flip(&self, key: &str) {
        self.ask("flip", &[key]);
    }

    /// Puts an object.
    pub fn put(&self, key: &str, text: &str) {
        self.ask("put", &[key, text]);
    }

    /// Uploads in parts that nobody has ended.
    #[must_use]
    pub fn uploads(&self) -> u64 {
        self.ask("uploads", &[]).trim().parse().unwrap()
    }
}

/// What the proxy does to a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// Nothing.
    None,
    /// It answers 503 (`SlowDown`) itself.
    Busy,
    /// It answers 403 (`SignatureDoesNotMatch`) itself.
    Refused,
    /// It resets the connection in the middle of the request.
    Reset,
    /// It passes half of the body on, and ends both connections.
    Cut,
    /// It passes the request on, and resets the connection where the answer should come.
    Lost,
    /// It passes the answer on byte by byte.
    Slow,
    /// It takes the request and never answers.
    Hang,
    /// It turns a bit in the body of the request.
    FlipUp,
    /// It turns a bit in the body of the answer.
    FlipDown,
}

impl Trouble {
    /// All but [`None`](Self::None).
    pub const ALL: [Self; 9] = [
        Self::Busy,
        Self::Refused,
        Self::Reset,
        Self::Cut,
        Self::Lost,
        Self::Slow,
        Self::Hang,
        Self::FlipUp,
        Self::FlipDown,
    ];
}

#[derive(Debug, Default)]
struct Plan {
    /// For requests that begin with a method: `PUT `.
    next: VecDeque<(String, Trouble)>,
    always: Option<Trouble>,
    /// Requests that go through before that.
    spared: u64,
    /// Of so many per cent of all requests, by this seed.
    dice: Option<(fastrand::Rng, u32)>,
    done: BTreeMap<String, u64>,
    requests: u64,
}

/// The way to the store.
#[derive(Debug)]
pub struct Way {
    address: SocketAddr,
    plan: Arc<Mutex<Plan>>,
}

impl Way {
    /// A way without trouble.
    #[must_use]
    pub fn to(store: SocketAddr) -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let address = listener.local_addr().unwrap();
        let plan = Arc::new(Mutex::new(Plan::default()));
        let shared = Arc::clone(&plan);
        spawn(move || {
            for client in listener.incoming().flatten() {
                let plan = Arc::clone(&shared);
                // Whatever breaks here is trouble, too.
                spawn(move || serve(client, store, &plan).ok());
            }
        });
        Self { address, plan }
    }

    /// The endpoint for the configuration.
    #[must_use]
    pub fn endpoint(&self) -> String {
        format!("http://{}", self.address)
    }

    /// From now on the same happens to all requests.
    pub fn always(&self, trouble: Trouble) {
        self.after(0, trouble);
    }

    /// As [`always`](Self::always), after so many requests that go through.
    pub fn after(&self, requests: u64, trouble: Trouble) {
        let mut plan = self.plan.lock().unwrap();
        plan.always = Some(trouble);
        plan.dice = None;
        plan.spared = requests;
    }

    /// Once, to the next request of a method.
    pub fn once(&self, method: &str, trouble: Trouble) {
        let mut plan = self.plan.lock().unwrap();
        plan.next.push_back((format!("{method} "), trouble));
    }

    /// From now on it happens to so many per cent of the requests, whatever it is.
    pub fn sometimes(&self, seed: u64, percent: u32) {
        let mut plan = self.plan.lock().unwrap();
        plan.always = None;
        plan.dice = Some((fastrand::Rng::with_seed(seed), percent));
    }

    /// Nothing happens any more.
    pub fn mend(&self) {
        let mut plan = self.plan.lock().unwrap();
        (plan.always, plan.dice) = (None, None);
        plan.next.clear();
    }

    /// Requests so far.
    #[must_use]
    pub fn requests(&self) -> u64 {
        self.plan.lock().unwrap().requests
    }

    /// What has happened so far, and how often.
    #[must_use]
    pub fn done(&self) -> BTreeMap<String, u64> {
        self.plan.lock().unwrap().done.clone()
    }
}

impl Plan {
    fn choose(&mut self, head: &str) -> Trouble {
        self.requests += 1;
        let place = self.next.iter().position(|(m, _)| head.starts_with(m));
        let trouble = if let Some(place) = place {
            self.next.remove(place).unwrap().1
        } else if let Some(always) = self.always {
            let spared = self.spared > 0;
            self.spared = self.spared.saturating_sub(1);
            if spared { Trouble::None } else { always }
        } else {
            let dice = self.dice.as_mut();
            let chosen = dice.and_then(|(dice, percent)| {
                let strikes = dice.u32(..100) < *percent;
                strikes.then(|| Trouble::ALL[dice.usize(..Trouble::ALL.len())])
            });
            chosen.unwrap_or(Trouble::None)
        };
        *self.done.entry(format!("{trouble:?}")).or_default() += 1;
        trouble
    }
}

/// One request and its answer: the store ends its connections after each.
fn serve(client: TcpStream, store: SocketAddr, plan: &Mutex<Plan>) -> std::io::Result<()> {
    let mut client = BufReader::new(client);
    let mut head = Vec::new();
    while !head.ends_with(b"\r\n\r\n") {
        if client.read_until(b'\n', &mut head)? == 0 {
            return Ok(());
        }
    }
    let text = String::from_utf8_lossy(&head).to_lowercase();
    let length = text
        .lines()
        .find_map(|line| line.strip_prefix("content-length:"))
        .map_or(0, |length| length.trim().parse().unwrap_or(0));
    let trouble = plan.lock().unwrap().choose(&String::from_utf8_lossy(&head));
    let mut body = vec![0; length];
    if trouble == Trouble::Reset {
        client.read_exact(&mut body[..length / 2])?;
        return reset(client.get_ref());
    }
    client.read_exact(&mut body)?;
    let mut client = client.into_inner();
    match trouble {
        Trouble::Busy => return answer(client, "503 Slow Down", "SlowDown"),
        Trouble::Refused => return answer(client, "403 Forbidden", "SignatureDoesNotMatch"),
        Trouble::Hang => {
            // Until the other one gives up.
            client.read_to_end(&mut Vec::new())?;
            return Ok(());
        }
        Trouble::FlipUp if length > 0 => body[length / 2] ^= 1,
        _ => {}
    }
    let mut upstream = TcpStream::connect(store)?;
    upstream.write_all(&head)?;
    if trouble == Trouble::Cut && length > 0 {
        upstream.write_all(&body[..length / 2])?;
        upstream.shutdown(Shutdown::Both)?;
        return client.shutdown(Shutdown::Both);
    }
    upstream.write_all(&body)?;
    let mut said = Vec::new();
    upstream.read_to_end(&mut said)?;
    match trouble {
        Trouble::Lost => return reset(&client),
        Trouble::FlipDown => {
            let begin = said.windows(4).position(|four| four == b"\r\n\r\n");
            let begin = begin.map_or(said.len(), |at| at + 4);
            let middle = begin + (said.len() - begin) / 2;
            if let Some(byte) = said.get_mut(middle) {
                *byte ^= 1;
            }
        }
        Trouble::Slow => {
            let begun = Instant::now();
            for byte in &said {
                client.write_all(&[*byte])?;
                sleep(DRIP);
                if begun.elapsed() > DRIP_MAX {
                    return Ok(());
                }
            }
            return Ok(());
        }
        _ => {}
    }
    client.write_all(&said)
}

fn answer(mut client: TcpStream, status: &str, code: &str) -> std::io::Result<()> {
    let body = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<Error><Code>{code}</Code>\
         <Message>no</Message><StringToSign>not to be shown</StringToSign></Error>"
    );
    write!(
        client,
        "HTTP/1.1 {status}\r\nContent-Type: application/xml\r\nContent-Length: {}\r\n\
         Connection: close\r\n\r\n{body}",
        body.len()
    )
}

fn reset(client: &TcpStream) -> std::io::Result<()> {
    // Closed with a linger of 0 a connection ends with RST (tcp(7)).
    rustix::net::sockopt::set_socket_linger(client, Some(Duration::ZERO))?;
    Ok(())
}
