//! `forewarm-seal IMAGE...` writes the checksum of each image into it. A board does nothing with an image without one.

use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    let images: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    if images.is_empty() {
        eprintln!("usage: forewarm-seal IMAGE...");
        return ExitCode::from(2);
    }
    for image in images {
        if let Err(problem) = forewarm_seal::seal(&image, &image) {
            eprintln!("{}: {problem}", image.display());
            return ExitCode::FAILURE;
        }
        println!("sealed {}", image.display());
    }
    ExitCode::SUCCESS
}
