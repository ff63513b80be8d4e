//! Which rows are one volley, and what contradicts.

use super::*;
use crate::facts::Wiring;

#[test]
fn a_labelled_series_seen_by_two_is_one_volley_with_two_sets_of_sightings() {
    let import = rows(
        "a,Marlo,V1,series,,L,1,qm,fired,lit\na,Marlo,v1,series,,L,2,qm,failed,unlit\n\
         a,Tess,V1,,,L,2,,failed,unlit\na,Tess,V1,,,L,1,,slow,lit\n",
    )
    .unwrap();
    let all = volleys(&import);
    assert_eq!(all.len(), 1);
    let (_, volley, seen) = &all[0];
    assert_eq!((volley.label.as_deref(), &volley.wiring, volley.shots.len()), (Some("V1"), &Wiring::Series, 2));
    assert_eq!(seen.len(), 2);
    assert_eq!(seen[1].seen.iter().map(|s| s.position).collect::<Vec<_>>(), [1, 2]);
    assert!(volley.shots.iter().all(|s| s.fuse == Some(FuseId::named("qm"))));
}

#[test]
fn rows_without_a_label_are_alone_unless_they_follow_each_other_in_one_circuit() {
    let import = rows(
        "a,,,,,L,1,,fired,none\na,,,,,L,2,,fired,none\n\
         a,,,series,1,L,3,,fired,none\na,,,series,2,L,4,,failed,none\n\
         a,,,series,1,L,5,,fired,none\na,,,series,2,L,6,,fired,none\n",
    )
    .unwrap();
    assert_eq!(volleys(&import).iter().map(|(_, v, _)| v.shots.len()).collect::<Vec<_>>(), [1, 1, 2, 2]);
    assert!(codes(&import).contains(&"rows-joined"));
}

#[test]
fn two_observers_of_one_igniter_alone_saw_the_same_shot() {
    let import = rows("a,Marlo,,,,L,1,,fired,none\na,Tess,,,,L,1,,failed,none\n").unwrap();
    let all = volleys(&import);
    assert_eq!((all.len(), all[0].2.len()), (1, 2));
}

#[test]
fn igniters_without_a_number_are_never_taken_for_one() {
    let import = rows("a,,,,,L,?,,fired,none\na,,,,,L,?,,fired,none\na,,,,,L,?,,fired,none\n").unwrap();
    assert_eq!(volleys(&import).len(), 3);
    assert_eq!(ids(&import).len(), import.entries.len(), "each has an id of its own");
    let two = rows(
        "a,M,V,series,,L,?,,fired,none\na,M,V,,,L,?,,failed,none\na,T,V,,,L,?,,fired,none\na,T,V,,,L,?,,fired,none\n",
    );
    let two = two.unwrap();
    assert_eq!(volleys(&two)[0].1.shots.len(), 2, "each observer goes along the same two");
}

#[test]
fn a_row_copied_by_mistake_is_said_and_adds_nothing() {
    let import = rows("a,M,,,,L,1,,fired,none\na,M,,,,L,1,,fired,none\n").unwrap();
    assert_eq!(volleys(&import)[0].2[0].seen.len(), 1);
    assert!(codes(&import).contains(&"copied-row"));
}

#[test]
fn contradictions_within_a_volley_name_their_place() {
    let first = "a,M,V,series,1,L,1,qm,fired,lit";
    for (second, column) in [
        ("a,M,V,parallel,2,L,2,qm,fired,lit", "wiring"),
        ("a,T,V,series,1,K,1,qm,fired,lit", "lot"),
        ("a,T,V,series,1,L,9,qm,fired,lit", "unit"),
        ("a,T,V,series,2,L,1,qm,fired,lit", "unit"),
        ("a,T,V,series,1,L,1,visco,fired,lit", "fuse"),
        ("a,M,V,series,1,L,1,qm,failed,lit", "ignition"),
    ] {
        let e = bad(rows(&format!("{first}\n{second}\n")));
        assert_eq!((e.line, e.column_name.as_str()), (3, column), "{second}: {e}");
        let number = HEADER.split(',').position(|name| name == column).unwrap() as u32 + 1;
        assert_eq!(e.column_number, Some(number));
    }
    let e = bad(import("outing,volley,lot,unit,ignition,channel\na,V,L,1,fired,3\na,V,L,1,fired,4\n"));
    assert_eq!((e.line, e.column_name.as_str()), (3, "channel"));
    let e = bad(import("outing,lot,unit,ignition,outing_kind\na,L,1,fired,test\na,L,2,fired,show\n"));
    assert_eq!((e.line, e.column_name.as_str()), (3, "outing_kind"));
    let e = bad(import("outing,lot,unit,ignition,slow_limit_ms\na,L,1,fired,150\na,L,2,fired,90\n"));
    assert_eq!((e.line, e.column_name.as_str()), (3, "slow_limit_ms"));
}

#[test]
fn several_shots_need_a_wiring_and_one_does_not() {
    let e = bad(rows("a,M,V,,,L,1,,fired,none\na,M,V,,,L,2,,fired,none\n"));
    assert_eq!((e.line, e.column_name.as_str()), (3, "wiring"));
    assert!(e.reason.contains("series, parallel or series-parallel"));
    let e = bad(rows("a,M,V,single,,L,1,,fired,none\na,M,V,single,,L,2,,fired,none\n"));
    assert_eq!(e.column_name, "wiring");
    assert_eq!(volleys(&rows("a,M,V,,,L,1,,fired,none\n").unwrap())[0].1.wiring, Wiring::Single);
}

#[test]
fn positions_are_kept_filled_and_closed_up() {
    let import = rows("a,,V,series,2,L,x,,fired,none\na,,V,,,L,y,,fired,none\n").unwrap();
    let units = |i: &Import| volleys(i)[0].1.shots.iter().map(|s| s.unit.clone().unwrap()).collect::<Vec<_>>();
    assert_eq!(units(&import), ["y", "x"]);
    let gap = rows("a,,V,series,3,L,x,,fired,none\na,,V,,7,L,y,,fired,none\n").unwrap();
    assert_eq!((units(&gap), codes(&gap).contains(&"positions")), (vec!["x".to_owned(), "y".to_owned()], true));
}

#[test]
fn string_lengths_make_the_strings_of_a_series_parallel() {
    let read = |lengths: [u16; 5]| {
        let lines: String =
            (1..).zip(lengths).map(|(n, l)| format!("a,V,series-parallel,{l},{n},L,{n},fired\n")).collect();
        imported(&format!("outing,volley,wiring,string_length,position,lot,unit,ignition\n{lines}"))
    };
    assert_eq!(volleys(&read([2, 2, 3, 3, 3]))[0].1.wiring, Wiring::SeriesParallel(vec![2, 3]));
    let odd = read([2, 2, 2, 2, 2]);
    assert_eq!(volleys(&odd)[0].1.wiring, Wiring::SeriesParallel(vec![]));
    assert!(codes(&odd).contains(&"string-length"));
}

#[test]
fn a_volley_too_large_for_an_entry_is_refused_at_its_rows() {
    let lines: String = (1..=4001).map(|n| format!("a,,V,series,{n},L,{n},,fired,none\n")).collect();
    let e = bad(rows(&lines));
    assert_eq!((e.line, e.column_name.as_str()), (4002, "volley"));
    let long = "x".repeat(4000);
    let lines: String = (1..=40).map(|n| format!("a,V,parallel,L,{n},fired,{long}\n")).collect();
    let e = bad(import(&format!("outing,volley,wiring,lot,unit,ignition,note\n{lines}")));
    assert_eq!(e.line, 2);
}

#[test]
fn a_volley_with_a_bad_row_is_left_out_whole_so_that_it_is_not_there_twice_once_it_is_right() {
    let keep = ImportOptions { keep_good: true, ..ImportOptions::default() };
    let good = "a,M,V,series,1,L,1,qm,fired,lit";
    let other = "a,M,W,series,1,L,8,qm,fired,lit\na,M,W,series,2,L,9,qm,fired,lit";
    for (bad, right) in [
        // A cell that cannot be read; a contradiction; a line of no known shape.
        ("a,M,V,series,2,L,2,qm,fird,lit", "a,M,V,series,2,L,2,qm,fired,lit"),
        ("a,M,V,series,1,L,2,qm,fired,lit", "a,M,V,series,2,L,2,qm,fired,lit"),
        ("a,M,V,series,2,L,2,qm,fired,lit,more", "a,M,V,series,2,L,2,qm,fired,lit"),
    ] {
        let file = |row: &str| format!("{HEADER}\n{good}\n{row}\n{other}\n");
        let kept = read_csv(file(bad).as_bytes(), &keep, &Known::default()).unwrap();
        let whole = read_csv(file(right).as_bytes(), &keep, &Known::default()).unwrap();
        assert_eq!((kept.bad_count, whole.bad_count), (1, 0), "{bad}");
        assert!(codes(&kept).contains(&"volley-left-out"), "{bad}");
        let of = |import: &Import| volleys(import).iter().map(|(e, ..)| e.id).collect::<BTreeSet<_>>();
        assert!(of(&kept).is_subset(&of(&whole)), "{bad}: it would be there twice");
        assert_eq!(of(&whole).len(), 2);
    }
    let run = |ignition: &str| {
        format!(
            "{HEADER}\na,,,series,,L,1,,fired,none\na,,,series,,L,2,,{ignition},none\na,,,series,,L,3,,fired,none\n"
        )
    };
    let kept = read_csv(run("fird").as_bytes(), &keep, &Known::default()).unwrap();
    assert_eq!((volleys(&kept).len(), kept.rows), (0, 0));
    let sheet = format!("{HEADER}\na,M,,,,L,1,,fired,none\na,T,,,,L,1,,fird,none\na,T,,,,L,2,,fired,none\n");
    let kept = read_csv(sheet.as_bytes(), &keep, &Known::default()).unwrap();
    assert_eq!(kept.rows, 1, "the other's word on unit 1 waits for the bad one");
}
