package dashboard

import (
	"context"
	"errors"
	"fmt"

	"keyturn/daemon/link"
	"keyturn/protocol"
)

// errNoDocument is why something cannot be published, however often it is tried.
var errNoDocument = errors.New("not publishable")

// publish publishes a document where it belongs, and waits until the broker has it. Each
// publisher does so on a connection of its own, and so holds up no other.
func publish(ctx context.Context, sub *link.Subscriber, root string, d protocol.Document) error {
	topic, err := protocol.TopicOf(root, d)
	if err != nil {
		return fmt.Errorf("%w: %w", errNoDocument, err)
	}
	payload, err := protocol.Encode(d)
	if err != nil {
		return fmt.Errorf("%w: %w", errNoDocument, err)
	}
	return sub.Publish(ctx, topic, protocol.MessageOf(d).Retained, payload)
}
