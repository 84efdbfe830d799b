//! Beside an API server over TLS that shares no code with the client: `tests/peers/kube_api.py`, by the
//! published conventions of the interface.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

use super::super::contest::{Act, Contest, Moment};
use super::*;

struct Server {
    child: Child,
    said: BufReader<std::process::ChildStdout>,
    account: Account,
}

impl Server {
    fn start(folder: &Path) -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/peers/kube_api.py");
        let mut child = Command::new("python3")
            .arg(script)
            .arg(folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        said.read_line(&mut line).unwrap();
        let told: Value = serde_json::from_str(&line).unwrap();
        let account = Account {
            url: told["url"].as_str().unwrap().to_owned(),
            folder: folder.to_owned(),
            pod: String::new(),
        };
        Self {
            child,
            said,
            account,
        }
    }

    fn order(&mut self, order: &Value) -> Value {
        writeln!(self.child.stdin.as_mut().unwrap(), "{order}").unwrap();
        let mut line = String::new();
        self.said.read_line(&mut line).unwrap();
        serde_json::from_str(&line).unwrap()
    }

    fn object(&mut self) -> Value {
        self.order(&json!({ "do": "tell" }))
    }

    fn contender(&self, pod: &str) -> Cluster {
        let account = Account {
            pod: pod.to_owned(),
            ..self.account.clone()
        };
        Cluster::new(&account, "forebay", Timing::default()).unwrap()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

#[test]
fn of_two_that_write_at_once_one_is_let_through() {
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::start(folder.path());
    let (mut a, mut b) = (server.contender("relay-0"), server.contender("relay-1"));
    assert_eq!(a.look(), Ok(None));
    assert_eq!(b.look(), Ok(None));
    assert_eq!(a.claim(None), Ok(Outcome::Ours(0)));
    assert_eq!(b.claim(None), Ok(Outcome::Beaten));
    let first = b.look().unwrap().unwrap();
    assert_eq!(first.holder.as_deref(), Some("relay-0"));
    assert_eq!(first.expire, Timing::default().expire);
    assert_eq!(a.renew(0), Ok(Outcome::Ours(0)));
    // What it goes by is not so any more.
    assert_eq!(b.claim(Some(&first)), Ok(Outcome::Beaten));
    let second = b.look().unwrap().unwrap();
    assert_ne!(first.mark, second.mark);
    assert_eq!(b.claim(Some(&second)), Ok(Outcome::Ours(1)));
    assert_eq!(a.renew(0), Ok(Outcome::Beaten));
    let object = server.object();
    assert_eq!(object["spec"]["holderIdentity"], "relay-1");
    assert_eq!(object["spec"]["leaseTransitions"], 1);
    assert_eq!(object["spec"]["leaseDurationSeconds"], 15);
    // Given back as client-go does it.
    b.release(1).unwrap();
    let object = server.object();
    assert_eq!(object["spec"]["holderIdentity"], "");
    assert_eq!(object["spec"]["leaseTransitions"], 1);
    let free = a.look().unwrap().unwrap();
    assert_eq!(free.holder, None);
    assert_eq!(a.claim(Some(&free)), Ok(Outcome::Ours(2)));
    // The same pod, started anew, goes on with what is its own.
    let mut again = server.contender("relay-0");
    let own = again.look().unwrap();
    assert_eq!(again.claim(own.as_ref()), Ok(Outcome::Ours(2)));
}

#[test]
fn what_others_do_to_the_object_is_no_loss_and_what_fails_is_not_known() {
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::start(folder.path());
    let mut a = server.contender("relay-0");
    a.look().unwrap();
    assert_eq!(a.claim(None), Ok(Outcome::Ours(0)));
    let before = a.look().unwrap().unwrap();
    server.order(&json!({ "do": "annotate" }));
    assert_eq!(a.look().unwrap().unwrap().mark, before.mark);
    server.order(&json!({ "do": "annotate" }));
    assert_eq!(a.renew(0), Ok(Outcome::Ours(0)));
    // Refused, cut off, and cut off after it had its effect.
    for how in ["503", "cut", "cut-after"] {
        server.order(&json!({ "do": "fail", "how": how }));
        assert!(a.renew(0).is_err(), "{how}");
        assert_eq!(a.renew(0), Ok(Outcome::Ours(0)), "{how}");
    }
    // A token that is changed is read again; a wrong one is an error and no loss.
    assert_eq!(
        server.order(&json!({ "do": "tell" }))["metadata"]["name"],
        "forebay"
    );
}

#[test]
fn a_contest_passes_the_lease_on() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(folder.path());
    let (mut a, mut b) = (server.contender("relay-0"), server.contender("relay-1"));
    a.look().unwrap();
    assert_eq!(a.claim(None), Ok(Outcome::Ours(0)));
    // The clock of the one that waits, by hand.
    let at = |seconds| Moment::at(Duration::from_secs(seconds));
    let mut contest = Contest::new("relay-1", Timing::default(), at(0));
    for second in [0, 2, 4] {
        a.renew(0).unwrap();
        contest.looked(at(second), at(second), b.look().unwrap());
    }
    for second in [6, 12, 18] {
        contest.looked(at(second), at(second), b.look().unwrap());
        assert!(matches!(contest.next(at(second)), Act::Rest(_)), "{second}");
    }
    contest.looked(at(19), at(19), b.look().unwrap());
    let Act::Claim(over) = contest.next(at(19)) else {
        panic!("it waits on");
    };
    let outcome = b.claim(over.as_ref()).unwrap();
    contest.claimed(at(19), at(20), &outcome);
    assert_eq!(contest.holds(), Some(1));
}

#[test]
fn outside_of_a_cluster_it_says_so() {
    let account = Account {
        url: "https://127.0.0.1:1".to_owned(),
        folder: "/nowhere".into(),
        pod: "x".to_owned(),
    };
    let error = Cluster::new(&account, "forebay", Timing::default());
    let words = error.err().unwrap();
    assert!(words.contains("/nowhere/namespace"), "{words}");
}
