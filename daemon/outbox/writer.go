package outbox

import (
	"time"

	"keyturn/protocol"
)

// This file is the store's one writer: it gathers what comes together, commits it, and
// goes on trying while the disk does not take it.

// write is the one writer.
func (s *Store) write() {
	defer close(s.done)
	acks := time.NewTicker(ackEvery)
	tidy := time.NewTicker(tidyEvery)
	defer acks.Stop()
	defer tidy.Stop()
	for {
		s.turn()
		select {
		case first := <-s.queue:
			s.commit(s.gather(first), false)
			if len(s.queue) == 0 {
				s.commit(nil, false) // a gap may be left to tell
			}
		case <-acks.C:
			s.commit(nil, true)
			if s.Counts().Bytes >= s.o.MaxBytes*9/10 {
				s.tidy(false)
			}
		case <-tidy.C:
			s.tidy(false)
		case <-s.stop:
			s.drain()
			return
		}
	}
}

// settled notes that results are no longer waiting for the disk.
func (s *Store) settled(n int) {
	s.mu.Lock()
	s.counts.Queued -= n
	s.mu.Unlock()
	signal(s.more)
}

// turn notes that the writer is alive.
func (s *Store) turn() {
	s.mu.Lock()
	s.turned = time.Now()
	s.mu.Unlock()
}

// gather takes what comes together with a first result.
func (s *Store) gather(first queued) []protocol.Result {
	batch := []protocol.Result{first.result}
	timer := time.NewTimer(batchFor)
	defer timer.Stop()
	for flush := first.flush; !flush && len(batch) < batchMax; {
		select {
		case q := <-s.queue:
			batch, flush = append(batch, q.result), q.flush
		case <-timer.C:
			return batch
		case <-s.stop:
			return batch
		}
	}
	return batch
}

// drain writes what is left, or gives up where the disk does not take it.
func (s *Store) drain() {
	for {
		var batch []protocol.Result
		for len(batch) < batchMax {
			select {
			case q := <-s.queue:
				batch = append(batch, q.result)
				continue
			default:
			}
			break
		}
		if err := s.try(batch, true); err != nil {
			s.o.Logger.Error("results could not be kept", "count", len(batch)+len(s.queue), "error", err)
			return
		}
		if len(batch) == 0 {
			return
		}
		s.settled(len(batch))
	}
}

// commit writes a batch; while the disk does not take it, it tries again.
func (s *Store) commit(batch []protocol.Result, ackDue bool) {
	for {
		s.turn()
		err := s.try(batch, ackDue)
		if err == nil {
			s.settled(len(batch))
			if s.trouble("") {
				s.o.Logger.Info("results are kept again")
			}
			return
		}
		if !s.trouble(err.Error()) {
			s.o.Logger.Error("results cannot be kept; they wait", "error", err)
		}
		s.tidy(full(err)) // perhaps something can go
		select {
		case <-time.After(retryEvery):
		case <-s.stop:
			if err := s.try(batch, ackDue); err != nil {
				s.o.Logger.Error("results could not be kept", "count", len(batch), "error", err)
			}
			return
		}
	}
}

// trouble notes why nothing can be kept and reports whether there was trouble
// before.
func (s *Store) trouble(why string) (before bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before = s.counts.Trouble != ""
	s.counts.Trouble = why
	return before
}
