//! An analyzer that takes memory without end. `how`: `pictures`, every one that it gets, in the
//! size that the camera sends and in colour; `memory`, all at once.

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{Finding, Picture, Request, export_analyzer};

struct Keeps {
    how: String,
    pictures: Vec<Picture>,
    taken: Vec<Vec<u8>>,
}

impl Watcher for Keeps {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self {
            how: settings.how,
            pictures: Vec::new(),
            taken: Vec::new(),
        })
    }

    fn request(&self) -> Request {
        Request::rgb(25.0, 0)
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        while self.how == "memory" {
            self.taken.push(vec![1; 1 << 20]);
        }
        self.pictures.push(picture);
        Ok(Vec::new())
    }
}

export_analyzer!(Watching<Keeps>);
