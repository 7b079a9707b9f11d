"""floorshot: measure what a suppressor removes from a conductor, corrected for the floor."""
