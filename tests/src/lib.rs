//! The end-to-end tests stand in the files beside this folder.
