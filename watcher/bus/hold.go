package bus

// Hold takes the folder of a built-in server for something else than serving
// from it, such as moving it away, and makes it if it is not there. No watch can
// start on the folder until release. The error is an *InUse when another process
// has it.
func Hold(dir string) (release func() error, err error) {
	l, err := lockFolder(dir)
	if err != nil {
		return nil, err
	}
	return l.release, nil
}
