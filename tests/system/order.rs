//! The order in which carry files come does not matter, to the last byte.

use embertally_tests::Device;

/// Four devices that were out of reach of one another, except that the last had the first one's log before.
///
/// Their logs overlap: one string seen by two devices, one volley typed on one and in the sheet of another, retries,
/// corrections, a ruling, a withdrawal, a label edited on two devices, weather on two.
fn crew() -> [Device; 4] {
    let [heron, otter, newt, stoat] = [(); 4].map(|()| Device::new());
    for (device, name, observer) in
        [(&heron, "heron", "Marlo"), (&otter, "otter", "Pim"), (&newt, "newt", "Orla"), (&stoat, "stoat", "Tamsin")]
    {
        device.done(&format!("crew device {name}"));
        device.done(&format!("crew add {observer}"));
        device.done(&format!("crew observer {observer}"));
    }
    for line in [
        "type add 'Type one' --bridge-ohm 1.6",
        "lot add KB-104 --type 'Type one' --count 100",
        "lot describe KB-104 'from the dry box'",
        "fuse add visco --kind visco",
        "module add Box-1 --channels 8",
        "outing begin 'Meadow test' --slow-ms 200",
        "volley 9f1x KB-104:1-10 -f visco -w series -m Box-1 -c 3 --at 2031-04-12T10:00:00+02:00",
        "volley 3f1u KB-105:1-4 -f visco -w parallel -m Box-1 -c 4 --at 2031-04-12T10:05:00+02:00 --new",
        "weather --temperature 12 --precipitation none --at 2031-04-12T09:50:00+02:00",
    ] {
        heron.done(line);
    }
    for line in [
        "outing begin 'Meadow test' --slow-ms 250",
        "lot add KB-104 --count 96",
        "lot describe KB-104 'from the damp box'",
        "volley 8f2x KB-104:1-10 -f visco -w series -m Box-1 -c 3 --at 2031-04-12T10:00:20+02:00 --new",
        "volley f KB-105:5 -f visco --at 2031-04-12T10:06:00+02:00 --delay-ms 220-240 --new",
        "volley x KB-104:11 -f visco --at 2031-04-12T10:40:00+02:00",
        "volley 2f KB-106 -w parallel --at 2031-04-12T10:42:00+02:00 --new",
        "weather --temperature 4 --precipitation rain --at 2031-04-12T10:30:00+02:00",
    ] {
        otter.done(line);
    }
    newt.import("newt.csv", SHEET);
    stoat.absorb(&heron.carry());
    for line in [
        "outing go 'Meadow test'",
        "volley f KB-104:10 -f visco --retry --at 2031-04-12T10:20:00+02:00",
        "volley 2x KB-105:8-9 -f visco -w series --at 2031-04-12T10:25:00+02:00",
    ] {
        stoat.done(line);
    }
    let seen = |unit: &str| {
        let rows = stoat.json("live")["rows"].as_array().cloned().unwrap_or_default();
        let shot = rows.iter().find(|row| row["unit"] == unit).and_then(|row| row["shot"].as_str()).map(str::to_owned);
        shot.unwrap_or_else(|| panic!("unit {unit} is not live: {rows:#?}"))
    };
    let (unlit, mistaken) = (seen("4"), seen("8"));
    let volley = |shot: &str| shot.split(':').next().unwrap_or_default().to_owned();
    stoat.done(&format!("sight {} 4f", volley(&unlit)));
    stoat.done(&format!("rule shot {unlit} --transfer unlit --reason 'as the clip shows'"));
    stoat.done(&format!("withdraw {} --reason 'the wrong box was typed'", volley(&mistaken)));
    [heron, otter, newt, stoat]
}

/// A sheet with rows of two devices, one of them about units that others logged too.
const SHEET: &str = "\
outing,outing_kind,time,device,observer,volley,module,channel,wiring,position,lot,unit,attempt,fuse,ignition,transfer,note
Meadow test,test,2031-04-12T10:05:10+02:00,newt,Orla,N1,Box-1,4,parallel,1,KB-105,1,1,visco,fired,lit,
Meadow test,test,2031-04-12T10:05:10+02:00,newt,Orla,N1,Box-1,4,parallel,2,KB-105,2,1,visco,failed,unlit,dark
Meadow test,test,2031-04-12T10:05:10+02:00,newt,Orla,N1,Box-1,4,parallel,3,KB-105,3,1,visco,fired,unseen,
Meadow test,test,2031-04-12T10:05:10+02:00,newt,Orla,N1,Box-1,4,parallel,4,KB-105,4,1,visco,fired,unlit,
Meadow test,test,2031-04-12T10:50:00+02:00,newt,Orla,N2,Box-1,5,single,1,KB-106,1,1,quickmatch,slow,lit,
Meadow test,test,2031-04-12T10:52:00+02:00,shrew,Pim,S1,Box-1,6,single,1,KB-106,2,1,quickmatch,failed,unlit,
Meadow test,test,2031-04-12T10:40:00+02:00,shrew,Pim,S2,,,single,1,KB-104,11,1,visco,fired,lit,
";

/// Returns all orders of the first `n` numbers.
fn orders(n: usize) -> Vec<Vec<usize>> {
    if n == 0 {
        return vec![Vec::new()];
    }
    let with_last = |order: Vec<usize>| {
        (0..n).map(move |place| {
            let mut longer = order.clone();
            longer.insert(place, n - 1);
            longer
        })
    };
    orders(n - 1).into_iter().flat_map(with_last).collect()
}

/// Everything that a crew reads off its log and that must not depend on any order.
#[derive(Debug, PartialEq, Eq)]
struct Shown {
    rates: Vec<String>,
    disputes: String,
    live: String,
    pairings: String,
}

#[track_caller]
fn shown(device: &Device) -> Shown {
    let text = |line: &str| device.done(line).text().to_owned();
    Shown {
        rates: device.all_rates(),
        disputes: text("disputes --json"),
        live: text("live --json"),
        pairings: text("pairings --json"),
    }
}

#[test]
fn four_carry_files_give_the_same_bytes_in_all_24_orders() {
    let carried = crew().map(|device| device.carry());
    let orders = orders(carried.len());
    assert_eq!(orders.len(), 24);
    let mut first: Option<Shown> = None;
    for order in orders {
        let merged = Device::new();
        for place in &order {
            merged.absorb(&carried[*place]);
        }
        let shown = shown(&merged);
        match &first {
            Some(first) => assert_eq!(first, &shown, "in the order {order:?}"),
            None => first = Some(shown),
        }
    }
    let shown = first.expect("there were orders");
    let disputes: serde_json::Value = serde_json::from_str(&shown.disputes).expect("JSON");
    for list in ["rows", "labels", "agreement"] {
        let found = disputes[list].as_array().map_or(0, Vec::len);
        assert!(found > 0, "this test shows little if {list} is empty: {disputes:#}");
    }
}

#[test]
fn nothing_is_lost_and_nothing_counted_twice() {
    let [heron, otter, newt, stoat] = crew();
    let merged = Device::new();
    for device in [&stoat, &newt, &heron, &otter] {
        merged.absorb(&device.carry());
    }
    // The log of stoat holds that of heron already.
    let wanted = [&otter, &newt, &stoat];
    assert_eq!(merged.rows().len(), wanted.map(|d| d.rows().len()).iter().sum::<usize>(), "sightings");
    let entries = |device: &Device| device.json("carry out.carry --force")["entries"].as_u64().unwrap_or_default();
    assert_eq!(entries(&merged), wanted.map(entries).iter().sum::<u64>(), "entries");
    // KB-104: units 1 to 11 and a retry of the tenth. KB-105: units 1 to 5. KB-106: two without a number, two with.
    let shots = |row: &embertally_tests::Row| (row["lot"].clone(), row["unit"].clone(), row["attempt"].clone());
    let named: std::collections::BTreeSet<_> =
        merged.rows().iter().map(shots).filter(|(_, unit, _)| unit != "?").collect();
    assert_eq!(named.len(), 11 + 1 + 5 + 2, "{named:?}");
    let mut unnumbered = merged.rows();
    unnumbered.retain(|row| row["unit"] == "?");
    assert_eq!(unnumbered.len(), 2);
}

#[test]
fn absorbing_twice_changes_nothing() {
    let carried = crew().map(|device| device.carry());
    let merged = Device::new();
    for file in &carried {
        merged.absorb(file);
    }
    let (before, export) = (shown(&merged), merged.export());
    for file in carried.iter().rev() {
        let absorbed = merged.absorb(file);
        assert_eq!(absorbed["entries_added"], 0, "{absorbed:#}");
    }
    assert_eq!(shown(&merged), before);
    assert_eq!(merged.export(), export);
}

#[test]
fn devices_that_hand_over_to_each_other_show_the_same() {
    let devices = crew();
    for (from, to) in [(0, 1), (1, 2), (2, 3), (3, 0), (0, 1), (1, 2)] {
        let carried = devices[from].carry();
        devices[to].absorb(&carried);
    }
    let first = shown(&devices[0]);
    for device in &devices[1..] {
        assert_eq!(shown(device), first);
    }
}
