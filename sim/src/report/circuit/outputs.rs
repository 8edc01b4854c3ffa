//! What the controller tells: charge permit, the larger charge step, the ceiling, lamp, alarm, service line.

use super::draft::{Draft, between, end, wire};
use super::{Length, Look};
use crate::diagnostic::escaped;
use forewarm_core::settings::ChargeCurrent;

/// Draws it. Returns the relay of the charge permit.
pub(super) fn draw(draft: &mut Draft<'_>) -> usize {
    draft.sheet("Charge, lamp, alarm and service line");
    let relay = driven(draft, "charge permit relay, normally open", "charge permit");
    let control = draft.part(
        'X',
        "charge enable",
        "a control wire of the chargers, or the remote input of the battery's protection: it must stop all charge when it is open",
    );
    draft.group();
    permit(draft, relay, control, ["13", "14"], ["1", "2"], "charge is enabled through this contact");
    full(draft);
    ceiling(draft);
    draft.group();
    let lamp = draft.part('P', "lamp", "on the board of modules it is on the board itself: no wire");
    let (from, stop) = (draft.controller("lamp"), between(Look::Lamp, lamp, ["1", "2"]));
    let back = end(Look::Terminal, draft.controller, "0 V");
    draft.path(from, [(wire("lamp"), stop), (wire("lamp, back"), back)]);
    draft.group();
    let alarm = draft.part('P', "alarm: buzzer, or what else calls somebody", "");
    let (fuse, fused) = draft.line_fuse("the alarm");
    let (bank, to) = (draft.bank("+"), draft.controller("alarm"));
    draft.path(
        bank,
        [
            (wire("alarm").long(Length::Short), fused),
            (wire("alarm").behind(fuse), between(Look::Buzzer, alarm, ["1", "2"])),
            (wire("at 0 V to sound it").behind(fuse), to),
        ],
    );
    draft.group();
    let adapter = draft.part('X', "isolated adapter of the service line", "serial, signals as of the board");
    for (ours, theirs) in [("TX", "RX"), ("RX", "TX"), ("0 V", "0 V")] {
        let (from, to) = (draft.controller(ours), end(Look::Block, adapter, theirs));
        draft.path(from, [(wire("service line"), to)]);
    }
    notes(draft);
    relay
}

/// A relay whose coil the controller drives.
fn driven(draft: &mut Draft<'_>, what: &str, terminal: &str) -> usize {
    draft.group();
    let relay = draft.part('K', what, "____ A, ____ V; coil ____ V");
    let (fuse, fused) = draft.line_fuse(&format!("the coil of the {terminal} relay"));
    let (bank, to) = (draft.bank("+"), draft.controller(terminal));
    let purpose = format!("coil of the {terminal} relay");
    draft.path(
        bank,
        [
            (wire(&purpose).long(Length::Short), fused),
            (wire(&purpose).behind(fuse), between(Look::Coil, relay, ["A1", "A2"]).labelled(["____ V".to_owned()])),
            (wire("at 0 V to close it").behind(fuse), to),
        ],
    );
    relay
}

/// A contact in a control wire of something.
fn permit(draft: &mut Draft<'_>, relay: usize, of: usize, contact: [&str; 2], terminals: [&str; 2], purpose: &str) {
    let [from, to] = terminals;
    draft.path(
        end(Look::Block, of, from),
        [(wire(purpose), between(Look::Contact, relay, contact)), (wire(purpose), end(Look::Terminal, of, to))],
    );
}

/// Sources in two fixed steps.
fn full(draft: &mut Draft<'_>) {
    let all = draft.installation.settings.sources.iter().zip(&draft.sources);
    let stepped: Vec<usize> = all.filter(|(source, _)| source.charge.has_steps()).map(|(_, part)| *part).collect();
    if stepped.is_empty() {
        return;
    }
    let relay = driven(draft, "relay of the full charge permit, normally open", "full permit");
    for (source, nth) in stepped.into_iter().zip(1..) {
        draft.group();
        let contact = [format!("{nth}3"), format!("{nth}4")];
        let [enters, leaves] = [&contact[0], &contact[1]].map(String::as_str);
        permit(draft, relay, source, [enters, leaves], ["step 1", "step 2"], "lets it give the larger current");
    }
}

/// Sources that something holds at the ceiling.
fn ceiling(draft: &mut Draft<'_>) {
    let all = draft.installation.settings.sources.iter().zip(&draft.sources).zip(&draft.installation.obeys);
    let obeying: Vec<(usize, String)> = all
        .filter(|((source, _), _)| source.charge == ChargeCurrent::Obeys)
        .map(|((_, part), obeys)| (*part, obeys.clone().unwrap_or_default()))
        .collect();
    for (source, obeys) in &obeying {
        draft.group();
        for (ours, theirs) in [("ceiling", "limit"), ("0 V", "limit 0 V")] {
            let (from, to) = (draft.controller(ours), end(Look::Block, *source, theirs));
            draft.path(from, [(wire("the ceiling, by an isolator"), to)]);
        }
        draft.note(format!(
            "What makes {} obey the ceiling, as the file says: “{}”. If that is not a signal of this controller, leave these two \
             wires out.",
            draft.what(*source),
            escaped(obeys)
        ));
    }
}

fn notes(draft: &mut Draft<'_>) {
    draft.note(
        "Several chargers, each with an enable wire of its own, need a contact of the charge relay each. The charge relay opens \
         a control wire, never the current of a running alternator: that destroys the alternator. How each charger is enabled, \
         its own papers say.",
    );
}
