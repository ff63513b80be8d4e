//! Devices that meet with no server between them.

use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use embertally_link::{Address, Code, Discovery, LinkError, Nearby, Network, Note, Until};

use super::world::{Device, silent};

fn code(number: u8) -> Code {
    Code::from_random([number; 24])
}

fn listening(code: Code, until: Until) -> Nearby {
    let listen = Some(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)));
    Nearby { code, listen, discovery: None, call: Vec::new(), until }
}

fn calling(code: Code, address: SocketAddr) -> Nearby {
    let call = vec![Address::new(&address.ip().to_string(), address.port()).expect("an address")];
    Nearby { code, listen: None, discovery: None, call, until: Until::Met }
}

#[test]
fn two_devices_with_one_code_have_the_same_log_afterwards_and_a_stranger_gets_nothing() {
    let (mut heron, mut otter, mut stranger) = (Device::new(1), Device::new(2), Device::new(3));
    heron.log_volleys(30);
    otter.log_volleys(20);
    stranger.log_volleys(10);
    let (tell, told) = mpsc::channel();
    let answerer = thread::spawn(move || {
        let mut notes = |_: &mut _, note| drop(tell.send(note));
        let outcome = heron.courier().nearby(&mut heron.log, &listening(code(1), Until::Met), &mut notes);
        (heron, outcome)
    });
    let Ok(Note::Listening { address }) = told.recv() else { panic!("it does not say where it listens") };
    let refused = stranger.courier().nearby(&mut stranger.log, &calling(code(2), address), &mut silent);
    assert!(matches!(refused, Err(LinkError::WrongCode { .. })), "{refused:?}");
    let seen = told.recv().expect("it is told");
    assert!(matches!(seen, Note::Stranger { error: LinkError::WrongCode { .. } }), "{seen:?}");

    let outcome = otter.courier().nearby(&mut otter.log, &calling(code(1), address), &mut silent).expect("they meet");
    assert_eq!((outcome.tally.met, outcome.tally.entries_came), (1, 30));
    let (mut heron, outcome) = answerer.join().expect("it ends");
    assert_eq!(outcome.expect("they meet").tally.entries_came, 20);
    assert_eq!(heron.entries().len(), 50);
    assert_eq!(heron.entries(), otter.entries());
    assert_eq!(stranger.entries().len(), 10);
}

#[test]
fn devices_of_one_crew_find_each_other_and_no_others() {
    let port = UdpSocket::bind("127.0.0.1:0").and_then(|s| s.local_addr()).expect("a port").port();
    let run = |mut device: Device<_>, code: Code, until: Until| {
        thread::spawn(move || {
            let how = Nearby {
                discovery: Some(Discovery { network: Network::Loopback, port: Some(port) }),
                ..listening(code, until)
            };
            let outcome = device.courier().nearby(&mut device.log, &how, &mut silent);
            (device, outcome)
        })
    };
    let mut crew = [Device::new(1), Device::new(2), Device::new(3)];
    crew.iter_mut().for_each(|device| device.log_volleys(5));
    let [heron, otter, stranger] = crew;
    let stranger = run(stranger, code(2), Until::Over(Duration::from_secs(4)));
    let (heron, otter) = (run(heron, code(1), Until::Met), run(otter, code(1), Until::Met));
    let (mut heron, met) = heron.join().expect("it ends");
    assert!(met.is_ok(), "{met:?}");
    let (mut otter, met) = otter.join().expect("it ends");
    assert!(met.is_ok(), "{met:?}");
    assert_eq!(heron.entries().len(), 10);
    assert_eq!(heron.entries(), otter.entries());
    let (mut stranger, met) = stranger.join().expect("it ends");
    assert_eq!(met.expect("it looked").tally.met, 0);
    assert_eq!(stranger.entries().len(), 5);
}
