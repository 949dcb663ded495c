package records

import (
	"os"
	"testing"

	"keyturn/daemon/records/recordstest"
)

func TestMain(m *testing.M) { os.Exit(recordstest.Main(m)) }
