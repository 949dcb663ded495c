package dashboard

import (
	"context"
	"log/slog"
	"time"

	"keyturn/daemon/link"
	"keyturn/protocol"
)

// watchFirst and watchMost bound the pause between two attempts to watch.
const (
	watchFirst = 250 * time.Millisecond
	watchMost  = 10 * time.Second
)

// Watch feeds a state with what every bench says, until the context is done. The
// broker's ClientID is to be another than the Keeper's.
func Watch(ctx context.Context, b link.Broker, s *State, logger *slog.Logger) {
	link.Again(ctx, watchFirst, watchMost, func(ctx context.Context) (worked bool, err error) {
		sub, err := link.NewSubscriber(ctx, link.SubscriberOptions{Broker: b, Filters: []string{protocol.BenchFilter(s.root, "+")}, Take: func(m link.Message) {
			s.Take(m.Topic, m.Payload, m.Retained)
			m.Ack()
		}})
		if err != nil {
			return false, err
		}
		defer sub.Close()
		s.cut(false)
		defer s.cut(true)
		select {
		case err = <-sub.Lost():
		case <-ctx.Done():
		}
		return true, err
	}, func(err error, failures int64, _ time.Duration) {
		logger.Warn("the benches are not seen at present", "error", err, "failures", failures)
	})
}
