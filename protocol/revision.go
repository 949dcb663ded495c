package protocol

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
)

// revisionLen is how many hex digits of the digest make a revision.
const revisionLen = 12

// Revision names the description by its content, so that an unchanged bench
// keeps its revision over restarts. The intervals achieved are left out, for
// they are measured anew all the time.
func (d *Description) Revision() (string, error) {
	c := *d
	c.Leads = slices.Clone(c.Leads)
	for i := range c.Leads {
		c.Leads[i].IntervalMeanUS, c.Leads[i].IntervalLongestUS = nil, nil
	}
	b, err := plainJSON(c)
	if err != nil {
		return "", fmt.Errorf("name the bench revision: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])[:revisionLen], nil
}
