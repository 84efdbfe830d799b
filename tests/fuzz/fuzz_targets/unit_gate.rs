//! The gate behind a camera's stream, on any order of units, losses and faults.
#![no_main]

use libfuzzer_sys::fuzz_target;

#[path = "../../../relay/src/intake/gate.rs"]
mod gate;

use gate::{Arrival, Gate, Passage};

const STREAMS: usize = 4;

fuzz_target!(|events: &[u8]| {
    let mut gate = Gate::new();
    // What a decoder of each stream would know: whether it has begun, and whether something is
    // missing since the last unit that passed.
    let (mut new, mut broken) = ([true; STREAMS], [false; STREAMS]);
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
                // Nothing passes that refers to what is missing, and each loss is marked once; a
                // beginning alone is none.
                assert!(!(new[stream] || broken[stream]) || random_access || !video);
                assert_eq!(discontinuity, broken[stream]);
                (new[stream], broken[stream]) = (false, false);
            }
            // Nothing is kept back without need.
            Passage::Drop => assert!((new[stream] || broken[stream]) && video && !random_access),
        }
    }
});
