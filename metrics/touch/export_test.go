package touch

// Asked are the fields that are shown at once.
var Asked = asked
