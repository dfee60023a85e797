package config

// SecretFiles are the files that hold a secret, by the key that names each, as
// paths that can be opened.
func (c *Config) SecretFiles() map[string]string {
	files := map[string]string{
		"nats.password_file":                    c.NATS.PasswordFile,
		"nats.credentials_file":                 c.NATS.CredentialsFile,
		"nats.tls.key_file":                     c.NATS.TLS.KeyFile,
		"nats.server_tls.key_file":              c.NATS.ServerTLS.KeyFile,
		"http.tls.key_file":                     c.HTTP.TLS.KeyFile,
		"pager.alertmanager.authorization_file": c.Pager.Alertmanager.AuthorizationFile,
		"pager.mail.password_file":              c.Pager.Mail.PasswordFile,
	}
	for _, file := range c.Pager.Webhook.SecretFiles {
		files["pager.webhook.secret_files "+file] = file
	}
	for _, u := range c.NATS.Users {
		files["nats.users "+u.Name] = u.PasswordHashFile
	}
	for _, u := range c.HTTP.Users {
		files["http.users "+u.Name] = u.PasswordHashFile
	}
	for _, t := range c.HTTP.Tokens {
		files["http.tokens "+t.Name] = t.TokenFile
	}
	for key, file := range files {
		if file == "" {
			delete(files, key)
		} else {
			files[key] = c.Path(file)
		}
	}
	return files
}
