// Package house has tests only: they hold the page for contributors against
// the code.
package house
