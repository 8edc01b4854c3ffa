//! `forewarm completions`.

use super::{Arguments as Whole, Form, Stop, print, print_json};
use clap::CommandFactory;
use clap_complete::Shell;
use serde::Serialize;

/// Print what makes a shell complete this command's words
///
/// The shell reads it when it starts: put it where the shell looks for completions, or into its start-up file.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(crate) struct Arguments {
    /// The shell
    shell: Shell,
}

const AFTER: &str = "\
Examples:
  forewarm completions bash > ~/.local/share/bash-completion/completions/forewarm
  forewarm completions fish > ~/.config/fish/completions/forewarm.fish
  forewarm completions zsh > _forewarm      # in a folder of $fpath";

/// The result for machines.
#[derive(Debug, Serialize)]
struct Completions {
    shell: String,
    script: String,
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut Whole::command(), "forewarm", &mut script);
    match form {
        Form::Text => print(|out| out.write_all(&script)),
        Form::Json => {
            let script = String::from_utf8_lossy(&script).into_owned();
            print_json(&Completions { shell: arguments.shell.to_string(), script })
        }
    }
}
