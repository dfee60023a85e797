package board

// Sorted is the order in which alarms are shown.
var Sorted = sorted
