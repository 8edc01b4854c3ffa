//! Settings that were read from a controller, as an installation file.
//!
//! A controller knows thresholds, channels and sources. It does not know names, cables or the site, so the file leaves
//! these out and says so. What the file says is read back and compared before anybody trusts it.

use crate::installation::Installation;
use crate::layout;
use forewarm_core::rtd::{Coefficients, Element, Leads};
use forewarm_core::settings::{BankUse, ChargeCurrent, Hold, Key, Place, Role, Settings, Thousandths};
use forewarm_core::wire::record::Fingerprint;
use std::fmt::Write as _;

/// An installation file with these settings.
#[derive(Clone, Debug)]
pub struct Written {
    /// Its text.
    pub text: String,
    /// Whether reading it gives the same settings, to the last digit. If not, they hold something that no file can say:
    /// a calibration that was computed from two points, or a heater that a source feeds alone.
    pub is_exact: bool,
}

/// What is written where a source obeys. The controller knows that something makes it obey, and not what.
const OBEYS: &str = "what the file said that was sent to the controller; write down here again what it is";

/// Writes `settings`, which a controller holds under this fingerprint.
#[must_use]
pub fn written(settings: &Settings, fingerprint: Fingerprint) -> Written {
    let mut page = Page(String::new());
    page.comment(&format!("Read from a controller. Fingerprint of its settings: {fingerprint}"));
    page.comment(
        "A controller does not know what channels and sources are called, nor cables, box and weather. Give them their names. For plan \
         and rehearsal add what the site is: `forewarm new FILE` writes a file that explains all of it.",
    );
    page.line("title = \"Read from a controller\"");
    page.section("[charge]");
    page.numbers(settings, "charge", 0);
    page.line("ceiling = [");
    for index in 0..settings.charge.ceiling.len() {
        let number = |key| settings.value(Place::at(key, index)).map(Thousandths);
        if let (Some(at), Some(limit)) = (number(Key::CeilingAt), number(Key::CeilingLimit)) {
            page.line(&format!("  {{ cell_c = {at}, c_rate = {limit} }},"));
        }
    }
    page.line("]");
    page.section("[heater]");
    page.numbers(settings, "heater", 0);
    page.word("hold", hold(settings.heater.hold));
    for (index, source) in settings.sources.iter().enumerate() {
        page.section("[[source]]");
        page.word("name", &format!("source_{}", index + 1));
        page.numbers(settings, "source", index);
        if source.charge == ChargeCurrent::Obeys {
            page.word("obeys", OBEYS);
        }
    }
    page.section("[bank]");
    page.word("spend", spend(settings.bank));
    page.numbers(settings, "bank", 0);
    page.section("[trust]");
    page.numbers(settings, "trust", 0);
    for (name, value) in
        [("stuck_after_h", settings.trust.stuck_after), ("still_after_min", settings.trust.still_after)]
    {
        if value.is_none() {
            page.word(name, "never");
        }
    }
    for (index, channel) in settings.channels.iter().enumerate() {
        page.section("[[channel]]");
        page.word("name", &format!("channel_{}", index + 1));
        page.word("role", role(channel.role));
        if !matches!(channel.role, Role::Check(_)) {
            page.element(channel.element);
            page.word("wiring", wiring(channel.leads));
        }
        page.numbers(settings, "channel", index);
    }
    let text = page.0;
    let read = Installation::parse("what was read", &text);
    let is_exact = read.is_ok_and(|installation| *installation.settings == *settings);
    Written { text, is_exact }
}

/// The word of the file for when the heater may run.
pub(super) const fn hold(hold: Hold) -> &'static str {
    match hold {
        Hold::WhileCharging => "while_charging",
        Hold::Never => "never",
    }
}

/// The word of the file for the use of the bank.
pub(super) const fn spend(bank: BankUse) -> &'static str {
    match bank {
        BankUse::Never => "never",
        BankUse::WithSource(_) => "with_source",
        BankUse::Always(_) => "always",
    }
}

/// The word of the file for a place.
pub(super) const fn role(role: Role) -> &'static str {
    match role {
        Role::Cell => "cell",
        Role::Pad => "pad",
        Role::Ambient => "ambient",
        Role::Check(_) => "check",
    }
}

/// The word of the file for wires.
pub(super) const fn wiring(leads: Leads) -> &'static str {
    match leads {
        Leads::TwoWire { .. } => "2-wire",
        Leads::ThreeWire { .. } => "3-wire",
        Leads::FourWire => "4-wire",
    }
}

/// The word of the file for an element, if it has one.
pub(super) fn element_name(element: Element) -> Option<&'static str> {
    [("pt100", Element::pt100()), ("pt500", Element::pt500()), ("pt1000", Element::pt1000())]
        .into_iter()
        .find_map(|(name, nominal)| (element == nominal).then_some(name))
}

/// The file as it grows.
struct Page(String);

impl Page {
    fn line(&mut self, line: &str) {
        self.0.push_str(line);
        self.0.push('\n');
    }

    fn comment(&mut self, text: &str) {
        for line in layout::wrapped(text, "# ", "# ") {
            self.line(&line);
        }
    }

    fn section(&mut self, header: &str) {
        self.line("");
        self.line(header);
    }

    fn word(&mut self, name: &str, word: &str) {
        self.line(&format!("{name} = \"{word}\""));
    }

    /// Writes each number of a section that is set.
    fn numbers(&mut self, settings: &Settings, section: &str, index: usize) {
        for &key in Key::ALL.iter().filter(|key| key.fact().section == section) {
            // Of a check resistor a file says no more than this.
            let is_check = matches!(settings.channels.get(index).map(|channel| channel.role), Some(Role::Check(_)));
            if section == "channel" && is_check && !matches!(key, Key::Reference | Key::CheckOhm | Key::CheckWithin) {
                continue;
            }
            let Some(value) = settings.value(Place::at(key, index)) else { continue };
            let value = if key == Key::ProofEnergy { watt_hours(settings, value) } else { value };
            self.line(&format!("{} = {}", key.fact().name, Thousandths(value)));
        }
    }

    fn element(&mut self, element: Element) {
        if let Some(name) = element_name(element) {
            return self.word("element", name);
        }
        let r0 = element.r0().as_micro_ohms();
        self.line(&format!("r0_ohm = {}.{:06}", r0 / 1_000_000, r0 % 1_000_000));
        let coefficients = element.coefficients();
        if coefficients != Coefficients::IEC_60751 {
            let (a, b, c) = coefficients.as_steps();
            self.power("a_per_c", a, 40, 10);
            self.power("b_per_c2", b, 52, 14);
            self.power("c_per_c4", c, 70, 19);
        }
    }

    /// Writes so many steps of 2^-`bits` as a whole number of 10^-`digits`.
    fn power(&mut self, name: &str, steps: i64, bits: u32, digits: u32) {
        // 34 + 64 bits.
        let scaled = i128::from(steps) * 10_i128.pow(digits);
        let half = 1_i128 << (bits - 1);
        let whole = (scaled + if scaled < 0 { -half } else { half }) / (1_i128 << bits);
        let mut line = String::new();
        let _ = write!(line, "{name} = {whole}e-{digits}");
        self.line(&line);
    }
}

/// The energy whose joules are those of the settings: a whole number of joules stands for several thousandths.
fn watt_hours(settings: &Settings, rounded_down: i64) -> i64 {
    let joules = settings.heater.proof.map_or(0, |proof| i64::from(proof.energy.as_joules()));
    let reads = |value: i64| (value * 36 + 5) / 10 == joules;
    [rounded_down, rounded_down + 1].into_iter().find(|&value| reads(value)).unwrap_or(rounded_down)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fingerprint;
    use crate::installation::starter;
    use forewarm_core::testing::any_settings;
    use proptest::prelude::*;

    fn text(name: &str) -> String {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo").join(name);
        std::fs::read_to_string(path).expect("an example")
    }

    /// The settings of a file, written and read again.
    fn there_and_back(text: &str) -> (Settings, Written) {
        let settings = Installation::parse("file", text).expect("no error").settings.into_inner();
        let written = written(&settings, fingerprint::of(&settings));
        (settings, written)
    }

    #[test]
    fn what_was_read_is_a_file_that_says_the_same_to_the_last_digit() {
        let certificate = "r0_ohm = 100.0213\na_per_c = 3.90832e-3\nb_per_c2 = -5.7751e-7\nc_per_c4 = -4.1832e-12";
        let own = starter().replacen("element = \"pt100\"", certificate, 1);
        let never = starter().replacen("# stuck_after_h = 1", "stuck_after_h = \"never\"", 1).replacen(
            "# still_after_min = 10",
            "still_after_min = \"never\"",
            1,
        );
        assert!(never.contains("\nstuck_after_h = \"never\"") && never.contains("\nstill_after_min = \"never\""));
        let texts = [starter(), own, never, text("hut.toml"), text("boat.toml"), text("shelter.toml")];
        for text in texts {
            let (settings, written) = there_and_back(&text);
            let again = Installation::parse("written", &written.text);
            let again = again.unwrap_or_else(|problems| panic!("{problems:?}\n{}", written.text));
            assert_eq!(*again.settings, settings, "{}", written.text);
            assert!(written.is_exact);
            assert!(written.text.contains(&fingerprint::of(&settings).to_string()));
        }
    }

    proptest! {
        #[test]
        fn whatever_a_controller_holds_is_a_file_that_passes_the_check(settings in any_settings()) {
            let written = written(&settings, fingerprint::of(&settings));
            let read = Installation::parse("written", &written.text);
            prop_assert!(read.is_ok(), "{:?}\n{}", read.err(), written.text);
            prop_assert_eq!(written.is_exact, *read.unwrap().settings == settings);
        }

        #[test]
        fn numbers_of_any_digit_come_back_as_they_were(proof in 100..1_000_000_i64, lead in 0..90_000_i64, soak in 1_000..700_000_i64) {
            let wires = format!("wiring = \"3-wire\"\nlead_least_ohm = {}\nlead_most_ohm = 100", Thousandths(lead));
            let text = starter()
                .replacen("proof_wh = 60", &format!("proof_wh = {}", Thousandths(proof)), 1)
                .replacen("wiring = \"4-wire\"", &wires, 1)
                .replacen("# soak_min = 30", &format!("soak_min = {}", Thousandths(soak)), 1);
            let (_, written) = there_and_back(&text);
            prop_assert!(written.is_exact, "{}", written.text);
        }
    }

    #[test]
    fn what_no_file_can_say_is_not_called_exact() {
        let points = "element = \"pt100\"\ncalibration = [ { at_c = 0, ohm = 100.02 }, { at_c = 40, ohm = 115.56 } ]";
        let (_, written) = there_and_back(&starter().replacen("element = \"pt100\"", points, 1));
        assert!(Installation::parse("written", &written.text).is_ok(), "it is a file all the same");
        assert!(!written.is_exact);
    }
}
