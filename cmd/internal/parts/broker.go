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

// secret finds a file of a bench file: a bare name is a credential of the service
// manager if there is one of that name (systemd.exec(5), LoadCredential=).
func secret(benchFile, name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" && !strings.Contains(name, "/") {
		if path := filepath.Join(dir, name); exists(path) {
			return path
		}
	}
	return filepath.Join(filepath.Dir(benchFile), name)
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
