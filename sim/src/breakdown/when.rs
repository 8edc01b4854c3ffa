//! A breakdown and its moment, as somebody types them: `NAME@TIME`.

use super::{Breakdown, Other};
use crate::diagnostic::{Problem, excerpt};
use crate::rehearse::{Broken, Scenario};
use forewarm_core::fault::{ChannelFault, SystemFault};
use jiff::civil::DateTime;
use std::cmp::Reverse;

impl Broken {
    /// What `text` names, in the season of `scenario`. TIME is a month and a day, with an hour and a minute or without:
    /// `12-24` or `12-24T18:00`.
    ///
    /// # Errors
    /// A text of another form, no such breakdown, or a time that is not in the season.
    pub fn parsed(text: &str, scenario: &Scenario) -> Result<Self, Problem> {
        let (name, when) = text.split_once('@').ok_or_else(|| {
            Problem::usage(format!("--fault {} does not say when", excerpt(text)))
                .remedy("NAME@TIME, as in --fault heater_relay.welded@12-24T18:00")
        })?;
        let what = Breakdown::named(name, scenario).ok_or_else(|| unknown(name, scenario))?;
        if what == Breakdown::Other(Other::ClockWraps) {
            return Err(Problem::usage("the clock of a season wraps by itself, every 49.7 days")
                .remedy("a season without it, longer than that"));
        }
        let from_s = second(when, scenario)?;
        Ok(Self { what, from_s, until_s: None })
    }
}

/// As many names a message has at most.
const NAMES: usize = 6;

fn unknown(name: &str, scenario: &Scenario) -> Problem {
    let names: Vec<String> = Breakdown::every(scenario).into_iter().map(|one| one.name(scenario)).collect();
    let containing: Vec<&str> = names.iter().map(String::as_str).filter(|known| known.contains(name)).collect();
    let all = "`forewarm faults --json` has all names";
    let remedy = if name.is_empty() {
        all.to_owned()
    } else if !containing.is_empty() {
        let shown = containing[..containing.len().min(NAMES)].join(", ");
        let more = match containing.len().saturating_sub(NAMES) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        format!("names that contain it: {shown}{more}; {all}")
    } else if let Some(nearest) = nearest(name, &names) {
        format!("the nearest name is {nearest}; {all}")
    } else {
        all.to_owned()
    };
    let reported =
        ChannelFault::ALL.map(ChannelFault::facts).into_iter().chain(SystemFault::ALL.map(SystemFault::facts));
    let why = if reported.into_iter().any(|facts| facts.name == name) {
        format!("{name} is what the controller reports, not what breaks")
    } else {
        "names begin with what breaks: a thermometer, a source, a part".to_owned()
    };
    Problem::usage(format!("nothing here can break as {}", excerpt(name))).because(why).remedy(remedy)
}

/// The name that shares most words with `name`, if any does; of several, the one with the fewest letters to change.
fn nearest<'n>(name: &str, names: &'n [String]) -> Option<&'n str> {
    fn words(name: &str) -> impl Iterator<Item = &str> {
        name.split(['.', '+', '_']).filter(|word| word.chars().any(char::is_alphabetic))
    }
    let shared = |known: &str| words(name).filter(|word| words(known).any(|other| other == *word)).count();
    let sharing = names.iter().map(String::as_str).filter(|known| shared(known) > 0);
    sharing.min_by_key(|known| (Reverse(shared(known)), strsim::damerau_levenshtein(name, known)))
}

/// The second of the season.
fn second(when: &str, scenario: &Scenario) -> Result<i64, Problem> {
    let start = scenario.weather.start;
    let form = || {
        Problem::usage(format!("--fault: {} is no time of a season", excerpt(when)))
            .remedy("month and day, as in 12-24 or 12-24T18:00")
    };
    let (day, hour) = when.split_once('T').unwrap_or((when, "00:00"));
    // Of this year or the next: a season is shorter than a year.
    let moments = [start.year(), start.year().saturating_add(1)]
        .map(|year| format!("{year:04}-{day}T{hour}").parse::<DateTime>());
    let span = |moment: DateTime| moment.duration_since(start).as_secs();
    let found: Vec<i64> = moments.iter().flatten().map(|moment| span(*moment)).collect();
    if found.is_empty() {
        return Err(form());
    }
    found.into_iter().find(|at_s| (0..scenario.span_s).contains(at_s)).ok_or_else(|| {
        let last = start.saturating_add(jiff::SignedDuration::from_secs(scenario.span_s));
        Problem::usage(format!("--fault: {} is not in the season", excerpt(when))).because(format!(
            "it lasts from {} to {}",
            start.strftime("%m-%dT%H:%M"),
            last.strftime("%m-%dT%H:%M")
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::testing::scenario;

    #[test]
    fn a_fault_is_read_with_its_moment_and_what_is_wrong_is_said() {
        let scenario = scenario(60);
        let read = |text: &str| Broken::parsed(text, &scenario);
        assert_eq!(read("clock.stopped@11-03T06:30").unwrap().from_s, 2 * 86_400 + 6 * 3600 + 1800);
        assert_eq!(read("lid.open@12-01").unwrap().from_s, 30 * 86_400);
        assert!(read("clock.wraps@12-01").is_err(), "it does so anyway");
        let said = |text: &str| read(text).unwrap_err().to_string();
        assert!(said("lid.open").contains("does not say when"));
        assert!(said("lid.opne@12-01").contains("the nearest name is lid.open;"), "{}", said("lid.opne@12-01"));
        let said_of_relays = said("relay.welded@12-01");
        assert!(
            said_of_relays.contains("names that contain it: heater_relay.welded, charge_relay.welded;"),
            "{said_of_relays}"
        );
        assert!(said("lid.open@03-01").contains("from 11-01T00:00 to 12-31T00:00"), "{}", said("lid.open@03-01"));
        assert!(said("lid.open@soon").contains("no time of a season"));
    }

    /// What is seen in a log is typed here. It never breaks, and a name that only looks alike would lead astray.
    #[test]
    fn a_word_of_the_controller_is_told_from_what_breaks() {
        let scenario = scenario(60);
        let said = |name: &str| Broken::parsed(&format!("{name}@12-01"), &scenario).unwrap_err().to_string();
        for fault in SystemFault::ALL {
            let name = fault.facts().name;
            let said = said(name);
            assert!(said.contains(&format!("{name} is what the controller reports, not what breaks")), "{said}");
        }
        assert!(!said("source_not_giving").contains("nearest"), "{}", said("source_not_giving"));
        assert!(
            said("heater_welded").contains("the nearest name is heater_relay.welded;"),
            "{}",
            said("heater_welded")
        );
        assert!(!said("xyzzy").contains("nearest"), "{}", said("xyzzy"));
    }
}
