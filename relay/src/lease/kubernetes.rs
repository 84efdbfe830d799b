//! A lease as an object of a cluster: `coordination.k8s.io/v1`, as other programs that elect a leader
//! use it (client-go's `leaderelection`): an empty holder is nobody, `leaseDurationSeconds` is what
//! others wait for, `leaseTransitions` counts holders, and of two that write at once the cluster lets
//! one through, by the object's `resourceVersion`.

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use k8s_openapi::api::coordination::v1::{Lease, LeaseSpec};
use k8s_openapi::apimachinery::pkg::apis::meta::v1::{MicroTime, ObjectMeta};
use kube::api::PostParams;
use kube::{Api, Client, Config};
use tokio::runtime::Runtime;

use super::board::Board;
use super::contest::{Outcome, Sight, Timing};

/// Where each container of a pod finds what its service account is.
const FOLDER: &str = "/var/run/secrets/kubernetes.io/serviceaccount";
/// A call that takes longer counts as failed: there must be time for another one.
const CALL: Duration = Duration::from_secs(3);
const CONNECT: Duration = Duration::from_secs(2);
/// HTTP 409: another one has written meanwhile, or made the object.
const CONFLICT: u16 = 409;
/// What client-go writes where it gives a lease back: not 0, which the interface forbids.
const RELEASED_SECONDS: i32 = 1;

/// Who the relay is in its cluster.
#[derive(Debug, Clone)]
pub(super) struct Account {
    url: String,
    folder: PathBuf,
    pub(super) pod: String,
}

impl Account {
    /// By what a pod is given.
    pub(super) fn of_pod() -> Result<Self, String> {
        let variable = |name: &str| {
            let value = std::env::var(name).ok().filter(|value| !value.is_empty());
            value.ok_or_else(|| format!("there is no variable {name}: the relay runs in no pod"))
        };
        let (host, port) = (
            variable("KUBERNETES_SERVICE_HOST")?,
            variable("KUBERNETES_SERVICE_PORT")?,
        );
        let host = match host.contains(':') {
            true => format!("[{host}]"),
            false => host,
        };
        // The pod's name, unless the pod's own specification says another host name.
        let pod = variable("POD_NAME").or_else(|_| variable("HOSTNAME"))?;
        Ok(Self {
            url: format!("https://{host}:{port}"),
            folder: FOLDER.into(),
            pod,
        })
    }
}

/// Reads and writes it.
pub(super) struct Cluster {
    runtime: Runtime,
    leases: Api<Lease>,
    name: String,
    me: String,
    timing: Timing,
    /// As it was read or written last: what is written goes by its version.
    last: Option<Lease>,
}

impl Cluster {
    pub(super) fn new(account: &Account, name: &str, timing: Timing) -> Result<Self, String> {
        let read = |file: &str| {
            let path = account.folder.join(file);
            let text = std::fs::read_to_string(&path);
            text.map_err(|error| format!("{}: {error}", path.display()))
        };
        let namespace = read("namespace")?;
        read("token")?;
        let url = account.url.parse();
        let url = url.map_err(|error| format!("{}: {error}", account.url))?;
        let mut config = Config::new(url);
        config.default_namespace = namespace.trim().to_owned();
        // Both are read again: they change while a pod lives.
        config.root_cert_file = Some(account.folder.join("ca.crt"));
        config.auth_info.token_file = Some(utf8(&account.folder.join("token"))?);
        config.connect_timeout = Some(CONNECT);
        config.read_timeout = Some(CALL);
        config.write_timeout = Some(CALL);
        config.default_retry = false;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|error| error.to_string())?;
        let client = {
            let _inside = runtime.enter();
            Client::try_from(config).map_err(|error| error.to_string())?
        };
        Ok(Self {
            runtime,
            leases: Api::namespaced(client, namespace.trim()),
            name: name.to_owned(),
            me: account.pod.clone(),
            timing,
            last: None,
        })
    }

    fn call<T>(&self, call: impl Future<Output = kube::Result<T>>) -> Result<T, Refusal> {
        self.runtime.block_on(async {
            match tokio::time::timeout(CALL, call).await {
                Ok(Ok(value)) => Ok(value),
                Ok(Err(kube::Error::Api(status))) if status.code == CONFLICT => {
                    Err(Refusal::Conflict)
                }
                Ok(Err(error)) => Err(Refusal::Failed(chain(&error))),
                Err(_) => Err(Refusal::Failed("no answer in time".to_owned())),
            }
        })
    }

    fn read(&mut self) -> Result<Option<Lease>, String> {
        match self.call(self.leases.get_opt(&self.name)) {
            Ok(lease) => {
                self.last.clone_from(&lease);
                Ok(lease)
            }
            Err(refusal) => Err(refusal.words()),
        }
    }

    /// Writes what follows from the last reading; none where another one has written since.
    fn write(&mut self, spec: LeaseSpec) -> Result<Option<LeaseSpec>, String> {
        let parameters = PostParams::default();
        let written = match &self.last {
            None => {
                let metadata = ObjectMeta {
                    name: Some(self.name.clone()),
                    ..ObjectMeta::default()
                };
                let lease = Lease {
                    metadata,
                    spec: Some(spec),
                };
                self.call(self.leases.create(&parameters, &lease))
            }
            Some(last) => {
                let lease = Lease {
                    metadata: last.metadata.clone(),
                    spec: Some(spec),
                };
                self.call(self.leases.replace(&self.name, &parameters, &lease))
            }
        };
        match written {
            Ok(lease) => {
                let spec = lease.spec.clone();
                self.last = Some(lease);
                Ok(Some(spec.unwrap_or_default()))
            }
            Err(Refusal::Conflict) => Ok(None),
            Err(Refusal::Failed(words)) => Err(words),
        }
    }

    fn spec(&self) -> LeaseSpec {
        let last = self.last.as_ref();
        last.and_then(|lease| lease.spec.clone())
            .unwrap_or_default()
    }

    fn seconds(&self) -> i32 {
        i32::try_from(self.timing.expire.as_secs()).unwrap_or(i32::MAX)
    }
}

enum Refusal {
    Conflict,
    Failed(String),
}

impl Refusal {
    fn words(self) -> String {
        match self {
            Self::Conflict => "another one is writing".to_owned(),
            Self::Failed(words) => words,
        }
    }
}

fn now() -> Option<MicroTime> {
    Some(MicroTime(Timestamp::now()))
}

fn holder(spec: &LeaseSpec) -> Option<String> {
    let holder = spec.holder_identity.clone();
    holder.filter(|holder| !holder.is_empty())
}

fn epoch(spec: &LeaseSpec) -> u64 {
    let transitions = spec.lease_transitions.unwrap_or(0);
    u64::try_from(transitions).unwrap_or(0)
}

/// The error and what caused it, on one line.
fn chain(error: &dyn std::error::Error) -> String {
    let mut words = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let more = error.to_string();
        if !words.contains(&more) {
            words = format!("{words}: {more}");
        }
        cause = error.source();
    }
    words
}

fn utf8(path: &Path) -> Result<String, String> {
    let text = path.to_str();
    text.map(str::to_owned)
        .ok_or_else(|| format!("{}: the path is no text", path.display()))
}

impl Board for Cluster {
    fn look(&mut self) -> Result<Option<Sight>, String> {
        let Some(lease) = self.read()? else {
            return Ok(None);
        };
        let spec = lease.spec.unwrap_or_default();
        let seconds = spec.lease_duration_seconds.unwrap_or(0);
        let renewed = spec.renew_time.as_ref().map(|time| time.0);
        Ok(Some(Sight {
            holder: holder(&spec),
            epoch: epoch(&spec),
            // Whatever its holder writes; not what others do to the object beside that.
            mark: format!(
                "{:?} {:?} {renewed:?}",
                spec.holder_identity, spec.lease_transitions
            ),
            expire: Duration::from_secs(u64::try_from(seconds).unwrap_or(0)),
        }))
    }

    fn claim(&mut self, _: Option<&Sight>) -> Result<Outcome, String> {
        let before = self.spec();
        let is_ours = holder(&before).as_deref() == Some(&self.me);
        let transitions = before.lease_transitions.unwrap_or(0);
        let taken = self.write(LeaseSpec {
            holder_identity: Some(self.me.clone()),
            lease_duration_seconds: Some(self.seconds()),
            lease_transitions: Some(match (is_ours, &self.last) {
                (true, _) => transitions,
                (false, None) => 0,
                (false, Some(_)) => transitions.saturating_add(1),
            }),
            acquire_time: before.acquire_time.clone().filter(|_| is_ours).or_else(now),
            renew_time: now(),
            ..before
        })?;
        Ok(taken.map_or(Outcome::Beaten, |spec| Outcome::Ours(epoch(&spec))))
    }

    fn renew(&mut self, of: u64) -> Result<Outcome, String> {
        // A second time where somebody has changed something else of the object.
        for _ in 0..2 {
            let before = self.spec();
            if holder(&before).as_deref() != Some(&self.me) || epoch(&before) != of {
                return Ok(Outcome::Beaten);
            }
            let renewed = self.write(LeaseSpec {
                renew_time: now(),
                lease_duration_seconds: Some(self.seconds()),
                ..before
            })?;
            if renewed.is_some() {
                return Ok(Outcome::Ours(of));
            }
            self.read()?;
        }
        Ok(Outcome::Unknown)
    }

    fn release(&mut self, of: u64) -> Result<(), String> {
        let before = self.spec();
        if holder(&before).as_deref() != Some(&self.me) || epoch(&before) != of {
            return Ok(());
        }
        let released = self.write(LeaseSpec {
            holder_identity: Some(String::new()),
            lease_duration_seconds: Some(RELEASED_SECONDS),
            renew_time: now(),
            ..before
        })?;
        released.map(drop).ok_or_else(|| Refusal::Conflict.words())
    }
}

#[cfg(test)]
#[path = "kubernetes_tests.rs"]
mod tests;
