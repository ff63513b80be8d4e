//! How a device reaches a server, or another device: invitations, TLS, sockets.
