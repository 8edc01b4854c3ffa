//! Library of the `forewarm` command. It reads what a fitter writes, runs the control core over it, and reports the
//! result.
//!
//! | module | holds |
//! |---|---|
//! | [`bank`] | the bank as a store of charge |
//! | [`bench`](mod@bench) | the card for the workbench, and the record of what was tried |
//! | [`breakdown`] | what can break |
//! | [`cautions`] | what every document says once, and briefly |
//! | [`cell`] | voltages of one cell |
//! | [`chart`] | pictures of a season |
//! | [`class`] | tolerance classes of platinum thermometers |
//! | [`conductor`] | copper conductors: what they resist and carry |
//! | [`csv_text`] | lines of cells under a header, out of whatever somebody points at |
//! | [`decimal`] | numbers as people write them, exact |
//! | [`diagnostic`] | what is wrong, where, why, and what to try: one shape for every message |
//! | [`edit`] | changes of an installation file's text, one key each |
//! | [`emulate`] | the firmware's image on an emulated processor, in step with the rehearsal |
//! | [`faults`] | every breakdown in every state |
//! | `feed` | whether one source can feed the heater alone |
//! | `figures` | numbers as a person reads them |
//! | [`finding`] | what is fine, what is not, and what to change |
//! | [`fingerprint`] | what tells the settings of one installation from all others |
//! | [`heater`] | what the heater draws, and for which voltage it is |
//! | [`identify`] | whether a bank behaves as planned, by its log |
//! | [`input`] | opening what is read, pipes among it |
//! | [`installation`] | the installation file: reading it, checking it, writing a first one |
//! | [`json`] | results for machines, the same bytes everywhere |
//! | `layout` | text in lines and columns |
//! | [`materials`] | thermal properties, with their sources |
//! | [`offer`] | what sources and loads do, second by second |
//! | [`output`] | files written whole or not at all |
//! | [`plan`] | sizing: what the thermometers can be wrong by, which thresholds follow, what the circuit must carry |
//! | [`plant`] | what bank, heater and box do with heat |
//! | [`platinum`] | the equation of a platinum element in f64 |
//! | `portable` | arithmetic with one result on every processor |
//! | [`propose`] | installations to choose between, searched for and proved |
//! | [`rehearse`] | the real controller in a closed loop with the plant |
//! | [`replay`] | the controller driven by a log: what it would have decided, and why |
//! | `scale` | logged values to what a converter would have measured |
//! | [`report`] | the hand-over document |
//! | [`schedule`] | when something happens, by the week |
//! | [`season`] | what a controller was shown and decided over time, recorded |
//! | [`service`] | the host's side of the service line: hears a controller, keeps what it says, sends it settings |
//! | [`si`] | what the core holds in whole steps, in SI units |
//! | [`site`] | what plan and rehearsal know of an installation besides the settings |
//! | [`table`] | resistance against temperature, with tolerances |
//! | [`threads`] | starting threads, and what to report where none can be started |
//! | [`variation`] | one draw of how the real thing differs from what is written down |
//! | [`watch`] | what a listener hears, for somebody who is elsewhere: a page, messages by a broker |
//! | [`weather`] | the weather: read or made up, and checked |
//! | [`withheld`] | why charge is refused, and why the heater is off |
//! | [`withstand`] | what parts bear |

pub mod bank;
pub mod bench;
pub mod breakdown;
pub mod cautions;
pub mod cell;
pub mod chart;
pub mod class;
pub mod conductor;
pub mod csv_text;
pub mod decimal;
pub mod diagnostic;
pub mod edit;
#[cfg(unix)]
pub mod emulate;
pub mod faults;
mod feed;
mod figures;
pub mod finding;
pub mod fingerprint;
pub mod heater;
pub mod identify;
pub mod input;
pub mod installation;
pub mod json;
mod layout;
pub mod materials;
pub mod offer;
pub mod output;
pub mod plan;
pub mod plant;
pub mod platinum;
mod portable;
pub mod propose;
pub mod rehearse;
pub mod replay;
pub mod report;
pub(crate) mod scale;
pub mod schedule;
pub mod season;
#[cfg(feature = "listen")]
pub mod service;
pub mod si;
pub mod site;
pub mod table;
pub mod threads;
mod unpack;
pub mod variation;
#[cfg(feature = "listen")]
pub mod watch;
pub mod weather;
pub mod withheld;
pub mod withstand;
