//! World `analyzer`: from the trait that a plugin implements to the functions that the relay calls.

use crate::{Configuration, Finding, Instant, Picture, Request};

/// A plugin that looks at decoded pictures of one camera. The relay makes one instance for each
/// camera of the sink and calls it from one place at a time.
///
/// A call that takes too long or panics ends the instance; a new one starts after a pause.
pub trait Analyzer: Sized {
    /// First call: makes the instance, and says which pictures it wants.
    ///
    /// # Errors
    /// A text for the operator that says what is wrong with the configuration.
    fn configure(configuration: Configuration) -> Result<(Self, Request), String>;

    /// The next picture, in the order of capture but for those that
    /// [`pictures::ask`](crate::pictures::ask) named, which have `asked` set.
    ///
    /// # Errors
    /// A text that the relay logs and counts; the instance goes on.
    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String>;

    /// About once a second, also when there are no pictures.
    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        let _ = now;
        Vec::new()
    }

    /// Last call: finish what is open. States that have begun and not ended are ended by the relay.
    fn stop(&mut self) -> Vec<Finding> {
        Vec::new()
    }
}

/// Exports an [`Analyzer`] from a component: `export_analyzer!(MyAnalyzer);`, once, anywhere in
/// the crate.
#[macro_export]
macro_rules! export_analyzer {
    ($analyzer:ty) => {
        #[cfg(target_family = "wasm")]
        #[allow(unsafe_code)]
        const _: () = {
            use $crate::bindings::analyzer as bindings;

            struct Exported;

            ::std::thread_local! {
                static INSTANCE: $crate::Instance<$analyzer> = const { $crate::Instance::new() };
            }

            impl bindings::Guest for Exported {
                fn configure(
                    configuration: $crate::Configuration,
                ) -> ::std::result::Result<$crate::Request, ::std::string::String> {
                    let (analyzer, request) =
                        <$analyzer as $crate::Analyzer>::configure(configuration)?;
                    INSTANCE.with(|instance| instance.set(analyzer));
                    ::std::result::Result::Ok(request)
                }

                fn analyze(
                    picture: $crate::Picture,
                ) -> ::std::result::Result<::std::vec::Vec<$crate::Finding>, ::std::string::String>
                {
                    INSTANCE
                        .with(|i| i.with(|a| $crate::Analyzer::analyze(a, picture)))
                        .unwrap_or_else(|| ::std::result::Result::Err("not configured".into()))
                }

                fn tick(now: $crate::Instant) -> ::std::vec::Vec<$crate::Finding> {
                    INSTANCE
                        .with(|i| i.with(|analyzer| $crate::Analyzer::tick(analyzer, now)))
                        .unwrap_or_default()
                }

                fn stop() -> ::std::vec::Vec<$crate::Finding> {
                    INSTANCE
                        .with(|i| i.with(|analyzer| $crate::Analyzer::stop(analyzer)))
                        .unwrap_or_default()
                }
            }

    bindings::export_analyzer_bindings!(Exported with_types_in $crate::bindings::analyzer);
        };

        // Natively there is nobody to export to, but the type must still fit.
        #[cfg(not(target_family = "wasm"))]
        const _: fn() = || {
            fn is_analyzer<T: $crate::Analyzer>() {}
            is_analyzer::<$analyzer>();
        };
    };
}
