//! Servers that are not the right ones, and servers that misbehave.

use std::net::TcpListener;

use embertally_link::{Address, Invitation, LinkError, Pass, Token, Trust, Until};

use super::server::{Habit, Server};
use super::world::{Device, silent};

fn refused(invitation: &Invitation) -> LinkError {
    let mut device = Device::new(1);
    device.log_volleys(3);
    let error = device.courier().sync(&mut device.log, invitation, Until::Met, &mut silent).expect_err("it is refused");
    assert_eq!(device.entries().len(), 3);
    let Pass::Token(token) = &invitation.pass else { panic!("{invitation:?}") };
    assert!(!error.to_string().contains(token.reveal()), "the secret is in: {error}");
    error
}

#[test]
fn a_server_with_another_certificate_hears_nothing_of_the_token() {
    let server = Server::start(Habit::Good);
    let mut invitation = server.invitation.clone();
    invitation.trust = Trust::Pin([5; 32]);
    let error = refused(&invitation);
    assert!(matches!(&error, LinkError::WrongPin { wanted, .. } if wanted == "0505050505050505"), "{error}");
    assert!(!error.may_pass());
    invitation.trust = Trust::Web;
    let error = refused(&invitation);
    assert!(matches!(error, LinkError::NotSafe { .. }), "{error}");
}

#[test]
fn each_way_to_be_refused_has_its_own_error() {
    let server = Server::start(Habit::Good);
    let mut invitation = server.invitation.clone();
    invitation.pass = Pass::Token(Token::new("another-token-than-the-crew-has").expect("a token"));
    assert!(matches!(refused(&invitation), LinkError::TokenRefused { .. }));

    let error = refused(&Server::start(Habit::OtherProtocol).invitation);
    assert!(matches!(error, LinkError::NotAServer { .. }), "{error}");
    let error = refused(&Server::start(Habit::Full).invitation);
    assert!(matches!(error, LinkError::Busy { status: 503, .. }), "{error}");
    let error = refused(&Server::start(Habit::TooMuch).invitation);
    assert!(matches!(error, LinkError::Cut { .. }), "{error}");
    let error = refused(&Server::start(Habit::Nonsense).invitation);
    assert_eq!(error.code(), "E_SYNC_GRAMMAR");

    let free = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a port");
    invitation.addresses = vec![Address::new("127.0.0.1", free.port()).expect("an address")];
    let error = refused(&invitation);
    assert!(matches!(error, LinkError::Unreachable { .. }) && error.may_pass(), "{error}");
}

#[test]
fn the_second_address_is_taken_where_the_first_does_not_answer() {
    let server = Server::start(Habit::Good);
    let mut invitation = server.invitation.clone();
    let free = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a port");
    invitation.addresses.insert(0, Address::new("127.0.0.1", free.port()).expect("an address"));
    let mut device = Device::new(1);
    device.courier().sync(&mut device.log, &invitation, Until::Met, &mut silent).expect("they meet");
}
