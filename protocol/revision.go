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
// keeps its revision over restarts. What is measured anew all the time is
// left out: intervals, learned time constants, the age of a calibration.
func (d *Description) Revision() (string, error) {
	c := *d
	c.Leads = slices.Clone(c.Leads)
	for i := range c.Leads {
		l := &c.Leads[i]
		l.IntervalMeanUS, l.IntervalLongestUS, l.TauLearned, l.Calibration.AgeDays = nil, nil, nil, nil
	}
	b, err := plainJSON(c)
	if err != nil {
		return "", fmt.Errorf("name the bench revision: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])[:revisionLen], nil
}
