//! The gate behind a camera's stream, on any order of units, losses and faults.
#![no_main]

use libfuzzer_sys::fuzz_target;

#[path = "../../../relay/src/intake/gate.rs"]
mod gate;

use gate::{Arrival, Gate, Passage};

const STREAMS: usize = 4;

fuzz_target!(|events: &[u8]| {
    let mut gate = Gate::new();
    // What a decoder of each stream would know: whether it has all that the next unit refers to.
    let mut broken = [true; STREAMS];
    for event in events {
        let bit = |n: u8| event >> n & 1 == 1;
        let stream = usize::from(event & 3);
        let video = stream % 2 == 0;
        let (random_access, loss, fault) = (bit(2), bit(3), bit(4));
        if fault {
            gate.lost(stream);
        }
        broken[stream] |= loss || fault;
        match gate.judge(Arrival {
            stream,
            video,
            random_access,
            loss,
        }) {
            Passage::Pass { discontinuity } => {
                // Nothing passes that refers to what is missing, and each loss is marked once.
                assert!(!broken[stream] || random_access || !video);
                assert_eq!(discontinuity, broken[stream]);
                broken[stream] = false;
            }
            // Nothing is kept back without need.
            Passage::Drop => assert!(broken[stream] && video && !random_access),
        }
    }
});
