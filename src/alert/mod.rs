//! Which alerts exist, when they rise, hold and clear.
//!
//! [`judge_flat`] and [`judge_stand`] look at the signs of one flat or stand and move its alerts on the [`Board`].
//! They keep next to nothing: since when something has been so ([`FlatWatch`], [`StandWatch`]).
//!
//! | kind | rises | is kept from flapping by | clears | silent while |
//! | --- | --- | --- | --- | --- |
//! | `dry` | the condition becomes dry, at once; critical below half of low | dry is left at low + 0.02, critical at half of low + 0.02; held while unknown | the condition is known and not dry | |
//! | `too-wet` | wet for `wet_for`, or above max(high, 0.95) for half of it | wet is left at high − 0.02; held while unknown | no longer wet | soaking, wet is meant |
//! | `not-drying` | lost less in 24 h than max(5 g, 3 × error) while in the band | clears at twice that loss | it loses, leaves the band, or has its dome on | soaking, wet is meant, dome on |
//! | `dry-overnight` | from 16:00 to 09:00, dry before 09:00 by the early end | clears an hour on the safe side only | it lasts, is dry, or the night is over | dry already |
//! | `flat-absent` | off its stand for `absent_for` | | back | soaking |
//! | `flat-changed` | what came back cannot be it | steady weights alone count | it fits, or is told to | soaking |
//! | `weigh-due` | carried on with an error above 0.15, or for 60 h | | weighed | no band |
//! | `band-doubtful` | the band cannot be right, or a soak for capacity ended where it cannot | clears after 10 min without doubt, at once with another band | see left | |
//! | `outgrown` | for 12 h a full soak lasts under 36 h; or plants weigh over 0.4 of the band, or are known to 0.1 of it only | clears at 40 h; at 0.35; at 0.07 | see left | |
//! | `leak` | loses more than `fastest_drying` for 30 min that lie an hour after a watering or later | clears under 0.8 of it for 10 min | see left | soaking, off its stand |
//! | `stand-silent` | no reading for `stale_after`; critical on an auto valve | the second time within 2 × `stale_after`, readings must come for that long | heard | |
//! | `stand-fault` | its readings cannot be believed | the second time within 20 min, they must be good for 10 min | they can | |
//! | `uneven` | not level or rocking for 60 s | clears after 5 min without | see left | |
//!
//! The kinds of valves and supplies are raised by whoever runs them, on the same board.

mod advice;
mod board;
mod flat;
mod kinds;
mod signs;
mod stand;
mod words;

pub use advice::advice;
pub use board::{Alert, Board, Change, Cleared, Of, Told, Wording};
pub use flat::{FlatWatch, judge_flat};
pub use kinds::{Kind, Severity};
pub use signs::{FlatSigns, StandSigns, Wetness, ZeroOff};
pub use stand::{StandWatch, judge_stand};
pub use words::spell;
