package config

func (r *reader) judge(o object, f *BatchFile) {}
