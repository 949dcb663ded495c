// Package dashboard is the shop's server: it keeps the results of every bench in the
// records and shows them.
//
// It measures nothing and decides nothing: what it shows are documents.
package dashboard
