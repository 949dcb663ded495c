// Package drive turns the key of a box on a bench supply by script: it is told the
// time and what the bench sees, and says what each relay, load and bleed line must be.
//
// It is pure and knows no GPIO. It is armed at the bench only, switches everything
// off on any doubt and stays off until it is armed again, and refuses a vehicle:
// there a person turns the key.
package drive
