//! A first installation file. It lists every setting with its meaning, unit, range and default. The tables supply
//! these, so the file never goes stale. It describes an invented bank of 200 Ah at 12.8 V. It passes the check and can
//! be rehearsed unchanged.

use super::row::{Line, bounds};
use super::site::example;
use crate::cautions::CAUTIONS;
use crate::layout;
use forewarm_core::settings::Key;

/// The text of the file.
#[must_use]
#[expect(clippy::too_many_lines, reason = "one page, from top to bottom")]
pub fn starter() -> String {
    let mut page = Page(String::new());
    page.comment("An installation: one bank, its heater, its sources and its thermometers.");
    page.comment(
        "The end of each name is its unit. A setting with # before it is left out: it then has its default, or no effect.",
    );
    page.blank();
    for caution in CAUTIONS {
        page.comment(caution);
    }
    page.blank();
    page.line("title = \"Untitled installation\"");
    page.comment(
        "What is bought or built already: sections, channels and sources by name, or single settings. `propose` leaves it as it is.",
    );
    page.line("# fixed = [\"heater.power_w\", \"box\", \"channel.cells_low\"]");

    page.section(
        "[charge]",
        "When charge is permitted, and how much. The battery maker's limits override every default here.",
    );
    page.settings("charge");
    page.comment("Charge-current ceiling: a line through these points, level beyond its ends.");
    for key in [Key::CeilingAt, Key::CeilingLimit] {
        page.comment(&format!("{}: {}{}", key.fact().name, key.meaning(), bounds(key)));
    }
    page.line("ceiling = [");
    for (cell_c, c_rate) in [("5", "0.1"), ("10", "0.3"), ("15", "0.5")] {
        page.line(&format!("  {{ cell_c = {cell_c}, c_rate = {c_rate} }},"));
    }
    page.line("]");

    page.section("[heater]", "The heater and its circuit.");
    page.settings("heater");
    page.comment(
        "Whether the heater may run while charge is permitted: \"while_charging\" (the default) or \"never\".",
    );
    page.line("hold = \"while_charging\"");

    page.section("[[source]]", "A source of energy, once for each.");
    page.comment("What logs and messages call it.");
    page.line("name = \"engine\"");
    page.settings("source");
    page.comment(
        "Instead of most_current_a, for a source whose current something holds at or below the ceiling: what does. A relay that closes \
         is not enough, and that a charger obeys is never taken for granted.",
    );
    page.line("# obeys = \"its current limit is set over a data line to the ceiling that the controller sends\"");
    page.site("source");
    page.blank();
    page.line("[[source]]");
    page.line("name = \"mains\"");
    page.line("budget_w = 600");
    page.line("priority = 1");
    page.line("obeys = \"its current limit is set over a data line to the ceiling that the controller sends\"");
    page.line("schedule = \"sat,sun 09:00-18:00\"");

    page.section("[bank]", "Whether the bank itself may be spent on heat, and what it must keep.");
    page.comment(
        "\"never\" (the default), \"with_source\" (to make up what a source that is present lacks), or \"always\". The last two need \
         a reserve: by state of charge, or by voltage, not both.",
    );
    page.line("spend = \"never\"");
    page.settings("bank");
    page.site("bank");

    page.section("[trust]", "How far readings, clock and contacts are trusted.");
    page.settings("trust");

    page.section("[[channel]]", "A thermometer, once for each; at least one with the role \"cell\".");
    page.comment("What logs and messages call it.");
    page.line("name = \"cells_low\"");
    page.comment("\"cell\" (in or between batteries), \"pad\" (on the heater plate), \"ambient\", or \"check\" (see the last one).");
    page.line("role = \"cell\"");
    page.comment(
        "\"pt100\", \"pt500\" or \"pt1000\". For any other: r0_ohm, with a_per_c, b_per_c2 and c_per_c4 where its certificate gives them.",
    );
    page.line("element = \"pt100\"");
    page.comment("The resistance measured in melting ice, without the leads.");
    page.line("# ice_point_ohm = 100.02");
    page.comment("Or two measured points in place of it.");
    page.line("# calibration = [ { at_c = 0, ohm = 100.02 }, { at_c = 40, ohm = 115.56 } ]");
    page.comment("\"2-wire\", \"3-wire\" or \"4-wire\".");
    page.line("wiring = \"4-wire\"");
    page.channel_settings(false);
    page.site("channel");
    for (name, role) in [("cells_high", "cell"), ("plate", "pad"), ("box_air", "ambient")] {
        page.blank();
        page.line("[[channel]]");
        page.line(&format!("name = \"{name}\""));
        page.line(&format!("role = \"{role}\""));
        page.line("element = \"pt100\"");
        page.line("wiring = \"4-wire\"");
        page.line("reference_ohm = 400");
        if name == "cells_high" {
            page.line("at = \"top\"");
            page.line("battery = 2");
        }
    }

    page.section(
        "[[channel]]",
        "A fixed resistor at the converter's terminals, no thermometer: it finds a reference or a common return that has changed, with \
         which all thermometers would read wrong alike.",
    );
    page.line("name = \"check\"");
    page.line("role = \"check\"");
    page.line("reference_ohm = 400");
    page.channel_settings(true);

    for (section, meaning) in example::SECTIONS {
        let header = match section {
            example::OFFERED => format!("# [{section}]"),
            example::LISTED => format!("[[{section}]]"),
            _ => format!("[{section}]"),
        };
        page.section(&header, meaning);
        page.site(section);
        if section == example::LISTED {
            page.blank();
            page.line(&header);
            for line in ["at = \"pad\"", "resets = \"by_hand\"", "opens_c = 80", "rated_a = 16", "rated_v = 30"] {
                page.line(line);
            }
        }
    }
    page.0
}

/// The file as it grows.
struct Page(String);

impl Page {
    fn line(&mut self, line: &str) {
        self.0.push_str(line);
        self.0.push('\n');
    }

    fn blank(&mut self) {
        self.0.push('\n');
    }

    fn comment(&mut self, text: &str) {
        for line in layout::wrapped(text, "# ", "# ") {
            self.line(&line);
        }
    }

    fn section(&mut self, header: &str, meaning: &str) {
        self.blank();
        self.comment(meaning);
        self.line(header);
    }

    /// Writes what a section says of the site.
    fn site(&mut self, section: &str) {
        self.set(example::lines(section));
    }

    /// Writes the settings of a thermometer, or those that only a check resistor has.
    fn channel_settings(&mut self, of_check: bool) {
        self.keys("channel", |key| matches!(key, Key::CheckOhm | Key::CheckWithin) == of_check);
    }

    /// Writes every setting of a section.
    fn settings(&mut self, section: &str) {
        self.keys(section, |_| true);
    }

    fn keys(&mut self, section: &str, which: impl Fn(Key) -> bool) {
        let keys = Key::ALL.iter().filter(|key| key.fact().section == section && which(**key));
        self.set(keys.map(|&key| Line::of(key)));
    }

    fn set(&mut self, lines: impl IntoIterator<Item = Line>) {
        for Line { comment, setting, set } in lines {
            self.comment(&comment);
            self.line(&format!("{}{setting}", if set { "" } else { "# " }));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::installation::Installation;
    use forewarm_core::settings::{TABLE, Thousandths};

    #[test]
    fn the_starter_passes_the_check_without_a_warning() {
        let installation = Installation::parse("starter", &starter()).expect("no problem");
        assert_eq!(installation.warnings, []);
        assert_eq!(installation.channels, ["cells_low", "cells_high", "plate", "box_air", "check"]);
    }

    #[test]
    fn the_starter_watches_its_heater_without_a_contact_to_watch() {
        let heater = Installation::parse("starter", &starter()).expect("no problem").settings.into_inner().heater;
        assert!(heater.proof.is_some() && heater.cooling.is_some());
    }

    #[test]
    fn the_starter_names_every_setting_of_the_table() {
        let text = starter();
        for fact in TABLE {
            let name = fact.name;
            let offered = text.lines().any(|line| {
                line.trim_start_matches("# ").starts_with(&format!("{name} = "))
                    || line.contains(&format!("{{ {name} = "))
                    || line.contains(&format!(", {name} = "))
            });
            assert!(offered, "{name} is not in the starter");
            assert!(text.contains(&Thousandths(fact.maximum).to_string()), "{name} without its range");
        }
    }

    #[test]
    fn every_default_the_starter_offers_is_what_leaving_it_out_means() {
        let plain = Installation::parse("plain", &starter()).expect("no problem");
        let defaults = starter()
            .lines()
            .map(|line| {
                let offered = Key::ALL.iter().any(|key| {
                    let written = |default| line == format!("# {} = {}", key.fact().name, Thousandths(default));
                    key.fact().default.is_some_and(written) && !matches!(key, Key::LeadTemperature | Key::ReserveSag)
                });
                if offered { line.trim_start_matches("# ").to_owned() } else { line.to_owned() }
            })
            .collect::<Vec<_>>()
            .join("\n");
        assert_ne!(defaults, starter());
        let written = Installation::parse("written", &defaults).expect("no problem");
        assert_eq!(written.settings, plain.settings);
    }

    #[test]
    fn no_line_is_wider_than_100_columns() {
        for line in starter().lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
    }
}
