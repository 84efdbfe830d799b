//! What a unit of H.264 or of H.265 must be to be a whole picture.

use crate::picture::{Fault, Look};

/// What is put behind each slice for the decoder to read.
///
/// Behind a slice whose data are all there, nothing is read: the arithmetic decoder stops at the
/// stop bit (H.264, 9.3.1.2; H.265, 9.3.2.5). Behind one that was cut off, it reads on; the
/// decoders then take zeros. An arithmetic code is ordered: where the least and the greatest of all
/// continuations give the same picture, the missing one gives it too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Behind {
    Nothing,
    Ones,
}

impl Behind {
    pub(crate) fn bytes(self) -> &'static [u8] {
        match self {
            Self::Nothing => &[],
            Self::Ones => &[0xff; 64],
        }
    }
}

/// Decodes an arithmetic-coded unit both ways, one after the other: two decoders at once would take
/// twice the memory.
pub(crate) fn whole(
    mut decode: impl FnMut(Behind) -> Result<Vec<u8>, Fault>,
) -> Result<Vec<u8>, Fault> {
    let samples = decode(Behind::Nothing)?;
    if decode(Behind::Ones)? != samples {
        return Err(damaged("a slice is cut off"));
    }
    Ok(samples)
}

/// Slices of one picture of so many blocks, by the numbers of the first block of each: the first
/// one at the picture's begin, the others in order.
pub(crate) fn check_order(
    addresses: impl IntoIterator<Item = u32>,
    blocks: u32,
) -> Result<(), Fault> {
    let mut before = None;
    for address in addresses {
        match before {
            None if address != 0 => return Err(damaged("the first slice is missing")),
            Some(_) if address == 0 => return Err(damaged("the unit holds more than one picture")),
            Some(before) if address <= before => {
                return Err(damaged("its slices are out of order"));
            }
            _ if address >= blocks => {
                return Err(damaged("a slice begins outside of the picture"));
            }
            _ => before = Some(address),
        }
    }
    match before {
        Some(_) => Ok(()),
        None => Err(damaged("the unit holds no slice")),
    }
}

/// Whether a stream has parameter sets that a decoder does. One that has nothing but others need
/// not be waited for: it is refused for what is in the way of the first one.
pub(crate) fn any_fits(checks: impl IntoIterator<Item = Result<Look, Fault>>) -> Result<(), Fault> {
    let mut refusal = None;
    for check in checks {
        match check {
            Ok(_) => return Ok(()),
            Err(fault) => refusal = refusal.or(Some(fault)),
        }
    }
    Err(refusal.unwrap_or_else(|| damaged("a sequence parameter set is missing")))
}

pub(crate) fn damaged(what: &str) -> Fault {
    Fault::Damaged(what.to_owned())
}

pub(crate) fn unsupported(what: &str) -> Fault {
    Fault::Unsupported(what.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slices_out_of_place_are_told() {
        let told = |addresses: &[u32]| match check_order(addresses.iter().copied(), 100) {
            Ok(()) => String::new(),
            Err(Fault::Damaged(text)) => text,
            Err(other) => panic!("{other:?}"),
        };
        assert_eq!(told(&[0, 40, 99]), "");
        for (addresses, word) in [
            (&[][..], "no slice"),
            (&[40, 60], "first slice is missing"),
            (&[0, 60, 40], "out of order"),
            (&[0, 40, 40], "out of order"),
            (&[0, 40, 0], "more than one picture"),
            (&[0, 100], "outside"),
        ] {
            let text = told(addresses);
            assert!(text.contains(word), "{addresses:?}: {text}");
        }
    }

    #[test]
    fn a_unit_is_whole_where_nothing_behind_it_counts() {
        assert_eq!(whole(|_| Ok(vec![7])), Ok(vec![7]));
        let read = |behind: Behind| Ok(vec![behind.bytes().first().copied().unwrap_or_default()]);
        assert_eq!(whole(read), Err(damaged("a slice is cut off")));
    }
}
