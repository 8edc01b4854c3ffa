//! `forewarm completions` and `forewarm manual`: made from the command itself, so that nothing is missing in them.

mod common;

use common::forewarm;
use std::collections::BTreeSet;
use std::fs;
use std::process::Command;

/// The commands that the help lists.
fn commands() -> BTreeSet<String> {
    let help = forewarm(&["--help"]).stdout;
    let listed = help.lines().skip_while(|line| *line != "Commands:").skip(1).take_while(|line| !line.is_empty());
    let names = listed.filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    let names: BTreeSet<String> = names.filter_map(|line| line.split_whitespace().next().map(str::to_owned)).collect();
    assert!(names.len() > 10, "{help}");
    names
}

#[test]
fn completions_have_every_command_and_every_shell_reads_its_own() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let run = forewarm(&["completions", shell]);
        assert_eq!(run.status, 0, "{shell}");
        let script = run.stdout;
        for command in commands() {
            assert!(script.contains(&command), "{shell}: {command}");
        }
        assert!(script.contains("max-gap") && script.contains("assume-heater-off"), "{shell}");
    }
    let folder = tempfile::tempdir().expect("a folder");
    let script = folder.path().join("forewarm");
    fs::write(&script, forewarm(&["completions", "bash"]).stdout).expect("it is written");
    // What bash offers after `forewarm re`.
    let asks = format!(
        "source {}; COMP_WORDS=(forewarm re); COMP_CWORD=1; _forewarm forewarm re forewarm; echo \"${{COMPREPLY[@]}}\"",
        script.display()
    );
    let output = Command::new("bash").args(["-c", &asks]).output().expect("bash runs");
    let offered = String::from_utf8(output.stdout).expect("UTF-8");
    let offered: BTreeSet<&str> = offered.split_whitespace().collect();
    let expected: BTreeSet<String> = commands().into_iter().filter(|command| command.starts_with("re")).collect();
    assert_eq!(offered, expected.iter().map(String::as_str).collect());
}

#[test]
fn each_command_has_its_manual_page_with_its_options_and_examples() {
    let folder = tempfile::tempdir().expect("a folder");
    let into = folder.path().to_str().expect("UTF-8");
    assert_eq!(forewarm(&["manual", into]).status, 0);
    for command in commands().iter().filter(|command| *command != "help") {
        let page = fs::read_to_string(folder.path().join(format!("forewarm-{command}.1")))
            .unwrap_or_else(|error| panic!("{command}: {error}"));
        // In a page each hyphen of an option is escaped.
        assert!(page.contains("\\-\\-json") && page.starts_with(".ie"), "{command}: {page}");
        assert!(page.contains(&format!("forewarm\\-{command}")), "{command}: {page}");
    }
    let page = fs::read_to_string(folder.path().join("forewarm-plan.1")).expect("its page");
    assert!(page.contains("forewarm plan mine.toml"), "{page}");
    let whole = fs::read_to_string(folder.path().join("forewarm.1")).expect("the page of the whole");
    assert!(whole.contains("forewarm\\-rehearse(1)"), "{whole}");
}

#[test]
fn no_page_is_written_where_one_of_them_may_not_be_replaced() {
    let folder = tempfile::tempdir().expect("a folder");
    let into = folder.path().to_str().expect("UTF-8");
    let own = folder.path().join("forewarm-plan.1");
    fs::write(&own, "mine").expect("it is written");
    let run = forewarm(&["manual", into]);
    assert!(run.status == 2 && run.stderr.contains("forewarm-plan.1: exists already"), "{}", run.stderr);
    assert_eq!(fs::read_dir(folder.path()).expect("a folder").count(), 1, "nothing else was written");
    assert_eq!(fs::read_to_string(&own).expect("its page"), "mine");
    assert_eq!(forewarm(&["manual", into, "--force"]).status, 0);
    assert!(fs::read_to_string(&own).expect("its page").contains("forewarm"));
    let nowhere = folder.path().join("nowhere");
    assert_eq!(forewarm(&["manual", nowhere.to_str().expect("UTF-8")]).status, 2);
}
