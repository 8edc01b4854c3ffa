//! What the controller is told: sources that are present, what the protection allows, contacts, the button.

use super::draft::{Draft, between, end, wire};
use super::{Length, Look};

/// Draws it. `contacts` are the relays of heater and charge, if both have auxiliary contacts.
pub(super) fn draw(draft: &mut Draft<'_>, contacts: Option<[usize; 2]>) {
    draft.sheet("What the controller is told");
    for (index, source) in draft.sources.clone().into_iter().enumerate() {
        draft.group();
        let number = index + 1;
        let [plus, minus] = ["present +", "present −"].map(|terminal| end(Look::Block, source, terminal));
        let (of, what) = (format!("the line of source {number}"), format!("source {number} is present"));
        draft.told(plus, (&of, &what), &format!("source {number} +"));
        let to = draft.controller(format!("source {number} −"));
        draft.path(minus, [(wire(what), to)]);
    }
    draft.group();
    let protection = draft.part('A', "the battery's own protection", "");
    for what in ["charge", "discharge"] {
        let [plus, minus] = ["+", "−"].map(|sign| end(Look::Block, protection, format!("{what} {sign}")));
        let (of, purpose) = (format!("the protection's line for {what}"), format!("the protection allows {what}"));
        draft.told(plus, (&of, &purpose), &format!("{what} allowed +"));
        let to = draft.controller(format!("{what} allowed −"));
        draft.path(minus, [(wire(purpose), to)]);
    }
    if let Some(relays) = contacts {
        for (relay, which) in relays.into_iter().zip(["heater", "charge"]) {
            draft.group();
            let purpose = format!("the contact of the {which} relay is closed");
            let (fuse, stop) = draft.line_fuse(&format!("the auxiliary contact of the {which} relay"));
            let contact = between(Look::Contact, relay, ["23", "24"]).labelled(["2 to 5 mA".to_owned()]);
            let (bank, to) = (draft.bank("+"), draft.controller(format!("{which} contact +")));
            draft.path(
                bank,
                [
                    (wire(&purpose).long(Length::Short), stop),
                    (wire(&purpose).behind(fuse), contact),
                    (wire(&purpose).behind(fuse), to),
                ],
            );
            let (bank, to) = (draft.bank("−"), draft.controller(format!("{which} contact −")));
            draft.path(bank, [(wire(purpose), to)]);
        }
    }
    if draft.installation.bank_measured.charge {
        draft.group();
        let meter = draft.part('B', "what measures the state of charge", "");
        let to = draft.controller("state of charge");
        draft.path(end(Look::Block, meter, "data"), [(wire("state of charge of the bank"), to)]);
    }
    draft.group();
    let button = draft.part('S', "reset button, normally open", "");
    let stop = between(Look::Button, button, ["13", "14"]);
    let (zero, to) = (end(Look::Terminal, draft.controller, "0 V"), draft.controller("button"));
    draft.path(zero, [(wire("reset button"), stop), (wire("reset button"), to)]);
    draft.note(
        "A line has voltage between + and − while what it says is true, so a wire that has come off says absent, or refused. The \
         controller's inputs are isolated: an opto-coupler each, with the series resistor for its line's voltage \
         (firmware/docs/rp2040.md).",
    );
    if draft.site.battery.count > 1 {
        draft.note(
            "Each battery has a protection of its own. Wire their lines in such a way that one that refuses is enough: in \
             series, not side by side.",
        );
    }
    if contacts.is_none() {
        draft.note(
            "No relay has an auxiliary contact here. With one on each (--contacts) the controller sees a contact that stays \
             closed, or open, by itself.",
        );
    }
}
