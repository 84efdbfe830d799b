//! `/v1/events` by curl, read by the rules of HTML's section on server-sent events
//! (<https://html.spec.whatwg.org/multipage/server-sent-events.html>, "Interpreting an event stream").

use std::fs::{self, File};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use forebay_tests::recording::unix_of_rfc3339;
use serde_json::Value;

/// An event that was told.
#[derive(Debug, Clone)]
pub(super) struct Event {
    pub(super) id: String,
    pub(super) kind: String,
    pub(super) data: Value,
}

/// A listener that writes down what it hears.
#[derive(Debug)]
pub(super) struct Listener {
    curl: Child,
    heard: PathBuf,
}

impl Listener {
    /// `last`: the event that it has heard already.
    pub(super) fn start(address: SocketAddr, heard: &Path, last: Option<&str>) -> Self {
        let mut curl = Command::new("curl");
        curl.args(["--silent", "--no-buffer", "--max-time", "300"]);
        if let Some(last) = last {
            curl.args(["--header", &format!("Last-Event-ID: {last}")]);
        }
        let curl = curl
            .arg(format!("http://{address}/v1/events?camera=slipway"))
            .stdout(File::create(heard).unwrap())
            .stdin(Stdio::null())
            .spawn()
            .unwrap();
        let heard = heard.to_owned();
        Self { curl, heard }
    }

    /// All that it has heard by now.
    pub(super) fn events(&self) -> Vec<Event> {
        let text = fs::read_to_string(&self.heard).unwrap();
        // What has no blank line behind it has not ended.
        let whole = text.rfind("\n\n").map_or("", |end| &text[..end]);
        whole.split("\n\n").filter_map(event).collect()
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.curl.kill().ok();
        self.curl.wait().ok();
    }
}

fn event(block: &str) -> Option<Event> {
    let field = |wanted: &str| {
        block.lines().find_map(|line| {
            let (name, value) = line.split_once(':')?;
            let value = value.strip_prefix(' ').unwrap_or(value);
            (name == wanted).then(|| value.to_owned())
        })
    };
    Some(Event {
        // A line that begins with a colon is a comment.
        data: serde_json::from_str(&field("data")?).unwrap(),
        kind: field("event")?,
        id: field("id").unwrap_or_default(),
    })
}

/// Whether it tells of a camera that is off since about then.
pub(super) fn is_gap_of(event: &Event, gone: f64) -> bool {
    let begin = event.data["begin"].as_str().and_then(unix_of_rfc3339);
    event.kind == "gap"
        && event.data["cause"] == "camera"
        && begin.is_some_and(|begin| (begin - gone).abs() < 5.0)
}
