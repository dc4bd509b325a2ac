//! The program: hands its arguments to the command line of the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    linewake::cli::main(std::env::args_os())
}
