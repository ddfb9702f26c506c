//! Their side of the comparison: `reference.py` beside this file, in an environment of its own.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use crate::{Failure, Run, ours};

/// What the environment holds.
const PACKAGES: [&str; 3] = ["numpy>=2,<3", "ruptures>=1.1,<2", "statsmodels>=0.14,<1"];

/// What the script told.
pub(crate) struct Theirs {
    /// A sentence on versions.
    pub(crate) versions: String,
    pub(crate) runs: Vec<Run>,
}

/// Makes the environment when it is missing and runs the script on the same series.
pub(crate) fn run() -> Result<Theirs, Failure> {
    let python = environment()?;
    let folder = tempfile::tempdir()?;
    for (name, values) in ours::series() {
        let lines: Vec<String> = values.iter().map(|x| format!("{x:?}")).collect();
        fs::write(folder.path().join(name), lines.join("\n"))?;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/examples/cost/reference.py");
    let mut command = Command::new(python);
    command.arg(script).arg(folder.path());
    command.args([format!("{:?}", ours::PRICE), format!("{:?}", ours::HAZARD)]);
    let told = told(command.output()?, "the script failed")?;
    let mut theirs = Theirs { versions: String::new(), runs: Vec::new() };
    for line in told.lines() {
        let mut fields = line.split('\t');
        let name = fields.next().unwrap_or_default().to_owned();
        if name == "versions" {
            theirs.versions = format!("{}.\n\n", fields.next().unwrap_or_default());
            continue;
        }
        let numbers = fields.map(str::parse).collect::<Result<Vec<f64>, _>>()?;
        let (seconds, result) = numbers.split_first().ok_or("the script tells a time")?;
        theirs.runs.push(Run { name, seconds: *seconds, result: result.to_vec() });
    }
    Ok(theirs)
}

/// The interpreter of an environment that has the packages.
fn environment() -> Result<PathBuf, Failure> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/tools/cost");
    let python = folder.join("bin/python");
    let ready = || Command::new(&python).args(["-c", "import numpy, ruptures, statsmodels"]).output();
    if ready().is_ok_and(|o| o.status.success()) {
        return Ok(python);
    }
    let made = Command::new("python3").args(["-m", "venv"]).arg(&folder).output();
    told(made.map_err(|e| format!("python3 does not start: {e}"))?, "python3 makes no environment")?;
    let pip = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check"];
    let installed = Command::new(&python).args(pip).args(PACKAGES).output()?;
    told(installed, "the packages cannot be installed")?;
    Ok(python)
}

fn told(output: Output, otherwise: &str) -> Result<String, Failure> {
    if output.status.success() {
        return Ok(String::from_utf8(output.stdout)?);
    }
    let why = String::from_utf8_lossy(&output.stderr);
    Err(format!("{otherwise}: {}", why.trim().lines().last().unwrap_or_default()).into())
}
