//! Whatever is in a file, reading it ends well.

use crate::{EVERYTHING, read_bytes};
use proptest::prelude::*;
use tarewell::config::Checked;
use tarewell::moment::Span;

proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = read_bytes(&bytes).map_err(|problems| problems.to_string());
    }

    #[test]
    fn no_text_of_yaml_marks_makes_it_panic(text in "[a-z0-9:{}\\[\\],&*!|>'\"#%@$~\\- \n\t.]{0,200}") {
        let _ = read_bytes(text.as_bytes()).map_err(|problems| problems.to_string());
    }

    #[test]
    fn whatever_is_changed_in_a_good_file_what_is_taken_is_sound(
        changes in prop::collection::vec((any::<prop::sample::Index>(), 0_usize..6, "[0-9a-z%.:{}\\-\n \"]{0,4}"), 1..6)
    ) {
        let example = include_str!("../../config/tarewell.yaml");
        let mut text: Vec<char> = if changes.len() % 2 == 0 { example } else { EVERYTHING }.chars().collect();
        for (index, cut, put) in changes {
            let at = index.index(text.len());
            let end = (at + cut).min(text.len());
            text.splice(at..end, put.chars());
        }
        match read_bytes(text.iter().collect::<String>().as_bytes()) {
            Ok(checked) => prop_assert!(sound(&checked), "{checked:?}"),
            Err(problems) => prop_assert!(!problems.list.is_empty() && !problems.to_string().is_empty()),
        }
    }

    /// Most of these are taken, so that what is taken is well tried.
    #[test]
    fn whatever_digits_are_changed_what_is_taken_is_sound(
        changes in prop::collection::vec((any::<prop::sample::Index>(), b'0'..=b'9'), 1..4)
    ) {
        let mut bytes = if changes.len() % 2 == 0 { EVERYTHING } else { include_str!("../../config/tarewell.yaml") }.as_bytes().to_vec();
        let digits: Vec<usize> = (0..bytes.len()).filter(|&at| bytes[at].is_ascii_digit()).collect();
        for (index, digit) in changes {
            bytes[*index.get(&digits)] = digit;
        }
        if let Ok(checked) = read_bytes(&bytes) {
            prop_assert!(sound(&checked), "{checked:?}");
        }
    }
}

/// Limits in order, numbers finite and above 0, places within their lists.
fn sound(checked: &Checked) -> bool {
    let plan = &checked.plan;
    let above = |value: f64| value.is_finite() && value > 0.0;
    let flats = plan.flats.iter().all(|(_, flat)| {
        let stages = flat.stages.iter().all(|stage| flat.limits.with(&stage.limits).out_of_order().is_none());
        let weights = [flat.dry_weight, flat.capacity_weight, flat.dome_weight];
        flat.limits.out_of_order().is_none()
            && stages
            && weights.iter().flatten().all(|mass| above(mass.get()))
            && above(flat.fastest_drying.get())
            && flat.stand.is_none_or(|stand| stand < plan.stands.len())
            && flat.fill.is_none_or(|fill| fill < plan.fills.len())
            && flat.like.is_none_or(|like| like < plan.flats.len())
    });
    let stands = plan.stands.iter().all(|(_, stand)| {
        above(stand.division.get())
            && stand.counts_per_gram.is_none_or(|counts| counts.is_finite() && counts != 0.0)
            && stand.zero.is_none_or(f64::is_finite)
    });
    let valves = plan.valves.iter().all(|valve| {
        valve.feeds.iter().all(|feed| feed.flat < plan.flats.len() && above(feed.flow.get()))
            && valve.max_run.is_none_or(|run| run > Span::ZERO)
    });
    flats && stands && valves && checked.wiring.valves.len() == plan.valves.len()
}
