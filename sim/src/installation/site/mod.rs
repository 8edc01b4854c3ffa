//! What a file says of the site: bank, plate, pad and box as bodies, where the box stands, how the thermometers are
//! mounted, what the sources give, the heater's circuit, the winter.
//!
//! A file may leave out all of it: check and replay need none of it. If a file has one of these sections, it must also
//! have the others that plan and rehearsal need.
//!
//! | module | reads |
//! |---|---|
//! | `bodies` | `[battery]`, `[plate]`, `[pad]` |
//! | `fit` | whether these fit each other and the box, and which way they lie |
//! | `maker` | what the maker of a battery lets it be charged with |
//! | `enclosure` | `[box]`, of one layer or of several |
//! | `place` | `[site]` |
//! | `room` | `[room]` |
//! | `leads` | what a lead of three wires may have, by its cable |
//! | `mounting` | what `[[channel]]` says besides the settings |
//! | `point` | a thermometer at a point of a battery's case |
//! | `supply` | what `[[source]]` says besides the settings, `[load]` |
//! | `circuit` | `[circuit]` |
//! | `cutout` | `[[thermal_cutout]]` |
//! | `feed` | `fed_by` of `[circuit]`, and what does not go with it |
//! | `winter` | `[winter]` |
//! | `spread` | `[converter]`, `[tolerance]` |

mod bodies;
mod circuit;
mod cutout;
mod enclosure;
pub(super) mod example;
pub(super) mod feed;
mod fit;
mod joints;
mod leads;
mod maker;
mod mounting;
mod numbers;
mod place;
mod point;
mod room;
mod spread;
mod supply;
pub(super) mod table;
mod winter;

#[cfg(test)]
mod tests;

pub(super) use leads::bound_leads;

use super::document::Section;
use super::values::Reader;
use crate::csv_text::cannot_read;
use crate::diagnostic::{Severity, excerpt};
use crate::input::{self, NoFile};
use crate::schedule::{Schedule, ScheduleError};
use crate::site::{MOST_CUTOUTS, Site};
use forewarm_core::settings::Settings;
use std::path::{Path, PathBuf};

/// The sections of the site that a file has at most once.
struct Sections<'t> {
    battery: Section<'t>,
    plate: Section<'t>,
    pad: Section<'t>,
    enclosure: Section<'t>,
    place: Section<'t>,
    room: Section<'t>,
    converter: Section<'t>,
    load: Section<'t>,
    circuit: Section<'t>,
    winter: Section<'t>,
    tolerance: Section<'t>,
}

impl<'t> Sections<'t> {
    fn all(self) -> [Section<'t>; 11] {
        let Self { battery, plate, pad, enclosure, place, room, converter, load, circuit, winter, tolerance } = self;
        [battery, plate, pad, enclosure, place, room, converter, load, circuit, winter, tolerance]
    }

    /// Whether the file has any of them.
    fn any(&self) -> bool {
        let Self { battery, plate, pad, enclosure, place, room, converter, load, circuit, winter, tolerance } = self;
        [battery, plate, pad, enclosure, place, room, converter, load, circuit, winter, tolerance]
            .into_iter()
            .any(|section| section.span.is_some())
    }
}

/// The sections that every computation needs, and what to write for each.
const REQUIRED: [(&str, &str); 5] = [
    ("battery", "[battery] with length_mm, width_mm, height_mm and mass_kg of one battery"),
    ("pad", "[pad] with length_mm and width_mm of the heated area"),
    ("box", "[box] with length_mm, width_mm and height_mm inside, insulation and thickness_mm, or layers"),
    ("site", "[site] with design_min_c, the coldest outside temperature to design for"),
    ("winter", "[winter] with weather = \"…\", a file, or with mean_c, spell_c, spell_from_day and spell_days"),
];

/// Reads everything a file says of the site. Returns nothing if the file has no section of it, but still reads the
/// site's keys in `channels` and `sources`. `source_names` are the names of the sources, or their paths where they have
/// none.
pub(super) fn read<'t>(
    reader: &mut Reader<'t>,
    root: &mut Section<'t>,
    channels: &mut [Section<'t>],
    sources: &mut [Section<'t>],
    source_names: &[String],
    settings: &Settings,
) -> Option<Site> {
    let mut section = |name| root.section(name, &mut reader.findings);
    let mut sections = Sections {
        battery: section("battery"),
        plate: section("plate"),
        pad: section("pad"),
        enclosure: section("box"),
        place: section("site"),
        room: section("room"),
        converter: section("converter"),
        load: section("load"),
        circuit: section("circuit"),
        winter: section("winter"),
        tolerance: section("tolerance"),
    };
    let mut cutouts = root
        .list("thermal_cutout", MOST_CUTOUTS, "[[thermal_cutout]], once for each", &mut reader.findings)
        .unwrap_or_default();
    if !sections.any() && cutouts.is_empty() {
        mounting::read(reader, channels, settings, mounting::Row { count: None, case: None });
        supply::read(reader, sources, settings);
        return None;
    }
    let battery = bodies::battery(reader, &mut sections.battery, settings.charge.hard_limit);
    let plate = bodies::plate(reader, &mut sections.plate, &battery);
    let pad = bodies::pad(reader, &mut sections.pad);
    let count_known = sections.battery.is_read() && !reader.doubts_any(&sections.battery, &[table::Key::Count]);
    let case = [table::Key::BatteryLength, table::Key::BatteryWidth, table::Key::BatteryHeight];
    let case_known = sections.battery.is_read() && !reader.doubts_any(&sections.battery, &case);
    let row = mounting::Row { count: count_known.then_some(battery.count), case: case_known.then_some(&battery) };
    let mut site = Site {
        mountings: mounting::read(reader, channels, settings, row),
        enclosure: enclosure::read(reader, &mut sections.enclosure),
        place: place::read(reader, &mut sections.place, sections.room.span.is_some()),
        room: room::read(reader, &mut sections.room),
        converter: spread::converter(reader, &mut sections.converter, settings),
        supplies: supply::read(reader, sources, settings),
        fed_by: feed::read(reader, &mut sections.circuit, sources, source_names),
        load: supply::load(reader, &mut sections.load),
        circuit: circuit::read(reader, &mut sections.circuit, settings),
        thermal_cutouts: cutout::read(reader, &mut cutouts),
        winter: winter::read(reader, &mut sections.winter),
        tolerance: spread::tolerance(reader, &mut sections.tolerance),
        battery,
        plate,
        pad,
    };
    fit::turn(&mut site);
    fit::judge(reader, &sections, &site);
    bodies::judge(reader, &sections, &site, settings);
    spread::judge(reader, &sections.converter, &site.converter, settings);
    supply::judge(reader, sources, &site, settings);
    feed::judge(reader, &sections.circuit, sources, source_names, &site, settings);
    for section in cutouts {
        section.finish(&mut reader.findings);
    }
    for section in sections.all() {
        match REQUIRED.iter().find(|(name, _)| *name == section.path) {
            Some((name, remedy)) if section.span.is_none() => {
                let why = Some("the file describes part of a site, and plan and rehearsal need this too");
                reader.findings.add(Severity::Error, None, name, format!("there is no [{name}]"), why, *remedy);
            }
            _ => section.finish(&mut reader.findings),
        }
    }
    Some(site)
}

/// The parts of a week, if they are there. A fault is reported, and then counts as never.
fn schedule<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>) -> Option<Schedule> {
    let text = reader.text(section, "schedule")?;
    match text.parse() {
        Ok(schedule) => Some(schedule),
        Err(error) => {
            let place = section.place("schedule");
            let span = section.key_span("schedule");
            let message = format!("{place}: {error}");
            let better = mended(text, &error);
            let better = better.as_deref().unwrap_or("mon-fri 07:30-08:30, sat 10:00-12:00");
            reader.findings.error(span.as_ref(), &place, message, format!("schedule = \"{better}\""));
            Some(Schedule::default())
        }
    }
}

/// The schedule that `text` was probably meant to be, if there is one.
fn mended(text: &str, error: &ScheduleError) -> Option<String> {
    let two_digits = |part: &str| match part.split_once([':', '.']) {
        Some((hour, minute)) => format!("{hour:0>2}:{minute:0<2}"),
        None => format!("{part:0>2}:00"),
    };
    let better = match error {
        // A day in full: takes the first three letters on either side of a hyphen.
        ScheduleError::NeitherDayNorTime(word) => {
            let short = |day: &str| day.chars().take(3).collect::<String>().to_lowercase();
            text.replace(&**word, &word.split('-').map(short).collect::<Vec<_>>().join("-"))
        }
        ScheduleError::Semicolon(..) => text.replace(';', ",").trim_end_matches([' ', ',']).to_owned(),
        ScheduleError::NoDay(_) => format!("daily {text}"),
        ScheduleError::NoTime(_) => format!("{} 00:00-24:00", text.trim_end_matches([' ', ','])),
        ScheduleError::NotATime(slot) => {
            text.replace(&**slot, &slot.split('-').map(two_digits).collect::<Vec<_>>().join("-"))
        }
        ScheduleError::NoLength(slot) => text.replace(&**slot, "00:00-24:00"),
        ScheduleError::Empty | ScheduleError::Overlap(..) => return None,
    };
    better.parse::<Schedule>().is_ok().then_some(better)
}

/// The path of a file, if it is there, as written: relative to the installation file. Reports a fault. Also reports a
/// file that does not exist, if the folder of the installation file is known.
fn path<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, name: &'static str) -> Option<PathBuf> {
    let text = reader.text(section, name)?;
    let place = section.place(name);
    let span = section.key_span(name);
    if text.trim().is_empty() || text.contains(char::is_control) {
        let message = format!("{place} is \"{}\", which no file is called", excerpt(text));
        reader.findings.error(span.as_ref(), &place, message, format!("{name} = \"file.csv\", beside this file"));
    } else if let Some(folder) = &reader.folder
        && let Some((fault, remedy)) = no_file(&folder.join(text))
    {
        let message = format!("{place} is \"{}\", {fault}", excerpt(text));
        let why = Some("planning and replaying do without it, a rehearsal does not");
        reader.findings.add(Severity::Warning, span.as_ref(), &place, message, why, remedy);
    }
    Some(text.into())
}

/// What is at `path` if it is not a file, and what to do.
fn no_file(path: &Path) -> Option<(String, Box<str>)> {
    let error = match input::no_file(path)? {
        NoFile::Absent => {
            return Some(("and there is no such file".to_owned(), "the path of the file, relative to this one".into()));
        }
        NoFile::Device => return Some(("which is a device or a pipe, not a file".to_owned(), "a file".into())),
        NoFile::Unreadable(error) => error,
    };
    let problem = cannot_read(&path.display().to_string(), &error);
    Some((format!("which {}", problem.message), problem.remedy?))
}
