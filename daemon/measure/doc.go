// Package measure turns samples into findings: which lead is live and when
// that changed, where the key stood, how far each feed fell while the engine
// cranked, and what each slot does. Engine.Step takes one adc.Input and returns
// the events that follow from it.
//
// It is pure: it is told the time by its inputs and never asks for it; it does
// no I/O, starts nothing, locks nothing, and gives equal events for equal
// parameters and inputs. It knows neither registers nor field names of
// documents.
package measure
