package parts

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"keyturn/daemon/config"
	"keyturn/daemon/link"
)

// Broker is the broker that a bench file names, for a program of that name. Two
// benches never bear one name there, though a card was copied: the boot tells them
// apart.
func Broker(program, benchFile string, b config.Bench, boot string) link.Broker {
	m := b.MQTT
	return link.Broker{
		URL: m.Broker, ClientID: fmt.Sprintf("%s-%s-%.8s", program, b.ID, boot), Username: m.Username,
		PasswordFile: secret(benchFile, m.PasswordFile), CAFile: secret(benchFile, m.CAFile),
		CertFile: secret(benchFile, m.CertFile), KeyFile: secret(benchFile, m.KeyFile),
	}
}

// credentials is the folder beside a bench file from which the service manager takes
// them; whoever may read it needs no service manager.
const credentials = "credentials"

// secret finds a file of a bench file: a bare name is a credential of the service
// manager if there is one of that name (systemd.exec(5), LoadCredential=), or one
// beside the bench file.
func secret(benchFile, name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	beside := filepath.Dir(benchFile)
	if !strings.Contains(name, "/") {
		for _, dir := range []string{os.Getenv("CREDENTIALS_DIRECTORY"), filepath.Join(beside, credentials)} {
			if path := filepath.Join(dir, name); dir != "" && exists(path) {
				return path
			}
		}
	}
	return filepath.Join(beside, name)
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
