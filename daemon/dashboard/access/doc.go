// Package access says who may do what on the dashboard: users with a role each, their
// passwords and sessions, how fast may be guessed, and how the first user comes about.
//
// Passwords are held against Argon2id hashes (RFC 9106) and forgotten. A browser holds a
// random token; the records hold only its hash, so that who reads them is not signed in.
// What could be guessed is slowed down, for an address and for a name, in bounded
// memory.
//
// It knows no page: whoever serves pages asks it, and shows what it answers. It sends no
// mail and lets nobody sign up: an instructor makes users, the first one is made with a
// code that stands on the server's terminal.
package access
