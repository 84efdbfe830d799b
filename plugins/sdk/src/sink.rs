//! World `sink`: from the trait that a plugin implements to the functions that the relay calls.

use crate::{AccessUnit, Configuration, Instant, Track};

/// A plugin that takes the coded media of one camera. The relay makes one instance for each
/// camera of the sink and calls it from one place at a time.
///
/// A call that takes too long or panics ends the instance; a new one starts after a pause.
pub trait Sink: Sized {
    /// First call: makes the instance.
    ///
    /// # Errors
    /// A text for the operator that says what is wrong with the configuration.
    fn configure(configuration: Configuration) -> Result<Self, String>;

    /// The camera's tracks, before the first unit and after each change. Returns the ids of those
    /// wanted; the units of others are not handed over.
    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32>;

    /// Units in the order of arrival. Keep those still needed, drop the rest: the number and the
    /// bytes held are bounded by the relay.
    ///
    /// # Errors
    /// A text that the relay logs and counts; the instance goes on.
    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String>;

    /// About once a second, also when the camera is silent.
    fn tick(&mut self, now: Instant);

    /// Last call: finish what is open.
    fn stop(&mut self);
}

/// Exports a [`Sink`] from a component: `export_sink!(MySink);`, once, anywhere in the crate.
#[macro_export]
macro_rules! export_sink {
    ($sink:ty) => {
        #[cfg(target_family = "wasm")]
        #[allow(unsafe_code)]
        const _: () = {
            use $crate::bindings;

            struct Exported;

            ::std::thread_local! {
                static INSTANCE: $crate::Instance<$sink> = const { $crate::Instance::new() };
            }

            impl bindings::Guest for Exported {
                fn configure(
                    configuration: $crate::Configuration,
                ) -> ::std::result::Result<(), ::std::string::String> {
                    let sink = <$sink as $crate::Sink>::configure(configuration)?;
                    INSTANCE.with(|instance| instance.set(sink));
                    ::std::result::Result::Ok(())
                }

                fn tracks(tracks: ::std::vec::Vec<$crate::Track>) -> ::std::vec::Vec<u32> {
                    INSTANCE
                        .with(|i| i.with(|sink| $crate::Sink::tracks(sink, &tracks)))
                        .unwrap_or_default()
                }

                fn handle(
                    units: ::std::vec::Vec<$crate::AccessUnit>,
                ) -> ::std::result::Result<(), ::std::string::String> {
                    INSTANCE
                        .with(|i| i.with(|sink| $crate::Sink::handle(sink, units)))
                        .unwrap_or_else(|| ::std::result::Result::Err("not configured".into()))
                }

                fn tick(now: $crate::Instant) {
                    INSTANCE.with(|i| i.with(|sink| $crate::Sink::tick(sink, now)));
                }

                fn stop() {
                    INSTANCE.with(|i| i.with(|sink| $crate::Sink::stop(sink)));
                }
            }

    bindings::export_bindings!(Exported with_types_in $crate::bindings);
        };

        // Natively there is nobody to export to, but the type must still fit.
        #[cfg(not(target_family = "wasm"))]
        const _: fn() = || {
            fn is_sink<T: $crate::Sink>() {}
            is_sink::<$sink>();
        };
    };
}
