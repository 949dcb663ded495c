package protocol

// Receipt is a record keeper's word that it has stored every result of a stream up
// to a number, gaps included. It is sent after each commit, at each connect and
// every minute.
// Boot and MonoNS are those of the latest result that it covers.
type Receipt struct {
	Header
	Keeper string `json:"keeper"` // its id, as in the topic
	Stream string `json:"stream"`
	// UpToSeq is the number; 0: nothing yet.
	UpToSeq int64 `json:"up_to_seq"`
}

func (*Receipt) kind() Kind         { return KindReceipt }
func (r *Receipt) levels() []string { return []string{r.Keeper} }
