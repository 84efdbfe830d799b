//! `forebay:plugin/objects`: files of the archive. The disk may be slow or hang: every call that
//! touches it runs on a thread that may wait, and the wait is not counted against the plugin.

use bytes::Bytes;
use wasmtime::component::Resource;

use super::media::HeldUnit;
use crate::archive::findings::PURPOSE as FINDINGS;
use crate::archive::ladder::KEY_FRAMES;
use crate::archive::ladder::pins::PURPOSE as PINS;
use crate::archive::ledger::{FOOTAGE, JOURNALS};
use crate::archive::{ArchiveError, MANIFESTS, Object, ObjectKey};
use crate::sinks::account::Account;
use crate::sinks::bindings::forebay::plugin::objects::{self, ObjectError, ObjectOptions, Part};
use crate::sinks::sandbox::Sandbox;
use crate::units::CaptureTime;

/// An object that a plugin has a handle on; empty once it is finished or a call on it was lost.
#[derive(Debug)]
#[allow(unreachable_pub, reason = "the generated bindings export it again")]
pub struct OpenObject(Option<Object>);

/// Purposes that plugins can't write to. Forged journals would be believed when the catalog is made
/// anew, forged findings would be taken for another sink's, forged manifests would hide damage,
/// forged pins would keep what is to go, and forged key frames would be taken for what is left of
/// footage.
const RELAYS_OWN: [&str; 5] = [JOURNALS, FINDINGS, MANIFESTS, PINS, KEY_FRAMES];

/// Most bytes of one append, in multiples of `held`.
const APPEND_HELD: u64 = 4;

type Answer<T> = wasmtime::Result<Result<T, ObjectError>>;

fn denied(message: impl Into<String>) -> ObjectError {
    ObjectError {
        code: "denied".to_owned(),
        message: message.into(),
    }
}

fn limit(message: impl Into<String>) -> ObjectError {
    ObjectError {
        code: "limit".to_owned(),
        message: message.into(),
    }
}

fn from_archive(error: &ArchiveError) -> ObjectError {
    let mut message = error.to_string();
    if let Some(source) = std::error::Error::source(error) {
        message = format!("{message}: {source}");
    }
    let code = match error {
        ArchiveError::Denied(_) => "denied",
        ArchiveError::Full(_) | ArchiveError::Storage(_) => "storage",
    };
    ObjectError {
        code: code.to_owned(),
        message,
    }
}

/// The work was lost with its thread: a defect, told to the plugin as a failed disk.
fn lost(error: &tokio::task::JoinError) -> ObjectError {
    ObjectError {
        code: "storage".to_owned(),
        message: error.to_string(),
    }
}

impl Sandbox {
    /// Runs `work` on an object where waiting is allowed. The object is away from the table
    /// meanwhile: if the instance is ended during the wait, it is abandoned, not lost.
    async fn on_object<T: Send + 'static>(
        &mut self,
        handle: &Resource<OpenObject>,
        work: impl FnOnce(&mut Object) -> Result<T, ArchiveError> + Send + 'static,
    ) -> Answer<T> {
        let Some(mut object) = self.table.get_mut(handle)?.0.take() else {
            return Ok(Err(denied("the object is finished")));
        };
        let worked = {
            let _waiting = self.clock.wait();
            tokio::task::spawn_blocking(move || {
                let result = work(&mut object);
                (object, result)
            })
            .await
        };
        match worked {
            Ok((object, result)) => {
                self.witness_storage(object.purpose(), result.as_ref().err());
                self.table.get_mut(handle)?.0 = Some(object);
                Ok(result.map_err(|error| from_archive(&error)))
            }
            Err(error) => Ok(Err(lost(&error))),
        }
    }

    /// Leaves evidence of a disk that refuses footage, as long as it does.
    fn witness_storage(&self, purpose: &str, error: Option<&ArchiveError>) {
        match error {
            _ if purpose != FOOTAGE => {}
            None => self.witness.storage(None),
            Some(error @ (ArchiveError::Full(_) | ArchiveError::Storage(_))) => {
                self.witness.storage(Some(&from_archive(error).message));
            }
            Some(ArchiveError::Denied(_)) => {}
        }
    }

    fn take_object_bytes(&self, bytes: u64) -> Result<(), ObjectError> {
        if self.with_account(|account, now| account.take_object_bytes(bytes, now)) {
            return Ok(());
        }
        self.limit_hit("object_bytes_per_hour");
        Err(limit("object_bytes_per_hour is used up"))
    }
}

impl objects::Host for Sandbox {
    async fn create(&mut self, options: ObjectOptions) -> Answer<Resource<OpenObject>> {
        let Some(archive) = self.archive.clone() else {
            return Ok(Err(denied(
                "nothing can be written while a configuration is checked",
            )));
        };
        if RELAYS_OWN.contains(&options.purpose.as_str()) {
            let text = format!("the purpose {:?} is the relay's own", options.purpose);
            return Ok(Err(denied(text)));
        }
        if self.open_objects >= self.limits.open_objects as usize {
            self.limit_hit("open_objects");
            return Ok(Err(limit(format!(
                "open_objects: {} are open",
                self.open_objects
            ))));
        }
        if !self.with_account(Account::take_object) {
            self.limit_hit("objects_per_minute");
            return Ok(Err(limit("objects_per_minute is used up")));
        }
        let key = ObjectKey {
            camera: self.camera.clone(),
            sink: self.sink.clone(),
            purpose: options.purpose,
            extension: options.extension,
            begin: CaptureTime::from_unix_nanos(options.begin),
        };
        let purpose = key.purpose.clone();
        let created = {
            let _waiting = self.clock.wait();
            tokio::task::spawn_blocking(move || archive.create(&key)).await
        };
        match created {
            Ok(Ok(object)) => {
                let handle = self.table.push(OpenObject(Some(object)))?;
                self.open_objects += 1;
                Ok(Ok(handle))
            }
            Ok(Err(error)) => {
                self.witness_storage(&purpose, Some(&error));
                Ok(Err(from_archive(&error)))
            }
            Err(error) => Ok(Err(lost(&error))),
        }
    }
}

impl objects::HostObject for Sandbox {
    async fn append(&mut self, handle: Resource<OpenObject>, parts: Vec<Part>) -> Answer<u64> {
        let mut pieces = Vec::with_capacity(parts.len());
        for part in parts {
            pieces.push(match part {
                Part::Bytes(bytes) => Bytes::from(bytes),
                // Shared, not copied.
                Part::Payload(unit) => {
                    let HeldUnit { unit, .. } = self.table.get(&unit)?;
                    unit.payload.clone()
                }
            });
        }
        let bytes = pieces.iter().map(|piece| piece.len() as u64).sum();
        // One payload may stand in it many times: a single call must not keep the disk to itself.
        let append_max = self.limits.held.bytes().saturating_mul(APPEND_HELD);
        if bytes > append_max {
            self.limit_hit("append_bytes");
            return Ok(Err(limit(format!(
                "an append of {bytes} bytes: at most {append_max}"
            ))));
        }
        if let Err(error) = self.take_object_bytes(bytes) {
            return Ok(Err(error));
        }
        let appended = self
            .on_object(&handle, move |object| object.append(&pieces))
            .await?;
        if appended.is_ok()
            && let Some(events) = &self.events
        {
            events.appended(bytes);
        }
        Ok(appended)
    }

    async fn patch(
        &mut self,
        handle: Resource<OpenObject>,
        offset: u64,
        bytes: Vec<u8>,
    ) -> Answer<()> {
        if let Err(error) = self.take_object_bytes(bytes.len() as u64) {
            return Ok(Err(error));
        }
        self.on_object(&handle, move |object| object.patch(offset, &bytes))
            .await
    }

    async fn finish(&mut self, handle: Resource<OpenObject>, end: i64) -> Answer<()> {
        let Some(object) = self.table.get_mut(&handle)?.0.take() else {
            return Ok(Err(denied("the object is finished")));
        };
        self.open_objects = self.open_objects.saturating_sub(1);
        let end = CaptureTime::from_unix_nanos(end);
        let purpose = object.purpose().to_owned();
        let finished = {
            let _waiting = self.clock.wait();
            tokio::task::spawn_blocking(move || object.finish(end)).await
        };
        match finished {
            Ok(Ok(_)) => Ok(Ok(())),
            Ok(Err(error)) => {
                self.witness_storage(&purpose, Some(&error));
                Ok(Err(from_archive(&error)))
            }
            Err(error) => Ok(Err(lost(&error))),
        }
    }

    fn drop(&mut self, handle: Resource<OpenObject>) -> wasmtime::Result<()> {
        let OpenObject(object) = self.table.delete(handle)?;
        if object.is_some() {
            self.open_objects = self.open_objects.saturating_sub(1);
        }
        // Dropped unfinished, the archive repairs and publishes it.
        drop(object);
        Ok(())
    }
}
