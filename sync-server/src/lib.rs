//! The server where the logs of crews meet.
