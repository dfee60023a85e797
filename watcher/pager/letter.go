package pager

import (
	"bytes"
	"context"
	"net/mail"

	gomail "github.com/wneessen/go-mail"

	"rollwarden/rules/event"
)

// Letter is a mail that is no page, such as a report that somebody waits for.
type Letter struct {
	Key     string // idempotency key: the Message-ID follows from it
	Subject string
	Text    string
	File    *Attachment // may be nil
}

// Attachment is a file that goes with a letter.
type Attachment struct {
	Name string // such as 2026-03.pdf
	Type string // media type
	Data []byte
}

// Post sends a letter to every recipient of the channel, as Send does a page: a
// letter that some have already is sent to the others only, for as long as this
// channel lives. Try again after any error but one that IsPermanent.
func (e *Email) Post(ctx context.Context, l Letter) error {
	return e.deliver(ctx, l.Key, func(to *mail.Address) (*gomail.Msg, error) {
		m := e.blank(l.Key, oneLine(l.Subject, event.MaxText), to)
		m.SetBodyString(gomail.TypeTextPlain, l.Text)
		if f := l.File; f != nil {
			err := m.AttachReader(f.Name, bytes.NewReader(f.Data), gomail.WithFileContentType(gomail.ContentType(f.Type)))
			if err != nil {
				return nil, err
			}
		}
		return m, nil
	})
}

// IsPermanent reports whether trying again cannot help.
func IsPermanent(err error) bool { return isPermanent(err) }
