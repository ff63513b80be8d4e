//! Files that are written: what is there is not lost, and what is half written is not left.

use std::fs;

use embertally_tests::Device;

use super::tested;

#[test]
fn a_carry_file_is_not_written_over_unless_it_is_said() {
    let device = tested();
    device.write("theirs.carry", "what somebody handed over");
    device.refused("carry theirs.carry").saying("another name").saying("--force");
    assert_eq!(device.read("theirs.carry"), b"what somebody handed over");
    device.done("carry theirs.carry --force");
    assert!(device.read("theirs.carry").starts_with(b"embertally carry 1\n"));
}

#[test]
fn nothing_is_written_into_the_folder_of_the_log() {
    let device = tested();
    let before = device.log_files();
    let log = device.log_folder();
    let log = log.display();
    for line in ["carry --force", "export", "report"] {
        for target in [format!("{log}/log.sqlite3"), format!("{log}/new"), format!("{log}/../log/./new")] {
            device.refused(&format!("{line} {target}")).saying("folder of the log");
        }
    }
    #[cfg(unix)]
    {
        let file = device.log_folder().join("log.sqlite3");
        std::os::unix::fs::symlink(file, device.path("link.csv")).expect("a link cannot be made");
        std::os::unix::fs::symlink(device.log_folder(), device.path("linked")).expect("a link cannot be made");
        device.refused("export link.csv").saying("folder of the log");
        device.refused("export linked/new.csv").saying("folder of the log");
    }
    assert!(device.log_files() == before, "the log has changed");
}

#[test]
fn a_file_that_somebody_calls_part_is_left_alone() {
    let device = tested();
    device.write("out.csv.part", "mine");
    for line in ["export out.csv", "export out.csv", "report out.html", "carry out.carry"] {
        device.done(line);
    }
    assert_eq!(device.read("out.csv.part"), b"mine");
    let left: Vec<_> = fs::read_dir(device.path("")).expect("the folder is there").flatten().collect();
    let hidden = left.iter().filter(|file| file.file_name().to_string_lossy().starts_with('.')).count();
    assert_eq!(hidden, 0, "{left:?}");
    device.refused("export .").saying("no file");
}

#[test]
fn a_file_on_standard_output_stands_there_alone() {
    let device = tested();
    // A carry file is no text, so what is said of texts is not held against it.
    let carried = |line: &str| device.call_on_log(line).output().expect("the tool cannot be run").stdout;
    assert!(carried("carry - --json") == device.carry(), "something stands beside the carry file");
    assert_eq!(device.done("export - --json").stdout, device.export().into_bytes());
    let page = device.done("report - --json");
    // The page, and the signed comment under it.
    let (page, signed) = page.text().trim_end().rsplit_once('\n').expect("several lines");
    assert!(page.ends_with("</html>"), "something stands behind the page");
    assert!(signed.starts_with("<!-- ") && signed.ends_with(" -->") && signed.matches("--").count() == 2);
    let other = Device::new();
    other.absorb(&carried("carry -"));
    assert_eq!(other.rows().len(), device.rows().len());
}
