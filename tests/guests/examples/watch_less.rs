//! A component that is of neither world: its `configure` is that of an analyzer, and it has
//! nothing to give pictures to.
#![allow(
    clippy::too_many_arguments,
    reason = "of the code that is generated here"
)]

use forebay_plugin_sdk::bindings::wit_bindgen;

wit_bindgen::generate!({
    path: "../../wit",
    inline: "
        package boatyard:neither@1.0.0;
        world neither {
            use forebay:plugin/setting@0.1.0.{configuration};
            use forebay:plugin/pictures@0.1.0.{request};
            export configure: func(configuration: configuration) -> result<request, string>;
        }
    ",
    generate_all,
    runtime_path: "forebay_plugin_sdk::bindings::wit_bindgen::rt",
});

struct Neither;

impl Guest for Neither {
    fn configure(_configuration: Configuration) -> Result<Request, String> {
        Err("nobody can have called this".into())
    }
}

export!(Neither);
